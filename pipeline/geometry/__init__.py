"""Geometry station: layouts, cavities, the ball's surface, its skin and the solver's shell mesh."""
