"""Decide station: the depth to cut, its interval and its tolerance."""
