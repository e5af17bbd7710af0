"""The ball: its height field, size classes, balance and totals."""
