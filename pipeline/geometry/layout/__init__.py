"""Layouts: places of the dimples on the sphere, from symmetry, packing, seam or a file."""
