"""Flight station: air, trajectories and golfers."""
