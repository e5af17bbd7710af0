"""Verification station: what the flow station computes, against published and exact values."""
