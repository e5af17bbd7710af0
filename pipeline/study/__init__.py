"""The study file: its text, its model with units, its patterns and golfers, its matrix of runs."""
