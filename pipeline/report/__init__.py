"""Report station: one self-contained page and its figures."""
