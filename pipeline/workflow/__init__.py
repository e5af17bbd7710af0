"""The workflow: its engine, its stations, the lock of a results folder, progress, repair."""
