"""The shelf: every ball known to a maker, measured or computed, a plain file each."""
