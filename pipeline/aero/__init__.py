"""Aero station: the table of coefficients and its interpolation."""
