"""Coefficients: collected from runs, modelled over depth, Re and S, sampled as tables."""
