"""Validation: computed flows beside published and exact values, and their numerical errors."""
