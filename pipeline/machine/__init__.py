"""The computer: cores and memory, out-of-memory kills, processes by number and start time."""
