"""Dimples: section, rounded edge, perimeter, and the measures that follow from any two."""
