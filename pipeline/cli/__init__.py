"""Command line of Depthline."""
