"""Firings of moulded balls down an indoor range: simulated, reduced to drag and lift, and planned."""
