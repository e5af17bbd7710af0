"""Flights of a study: golfers' shots, their statistics, the Re and S they pass through."""
