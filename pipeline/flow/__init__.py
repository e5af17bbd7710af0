"""Flow station: solver cases, runs, force histories and their averages."""
