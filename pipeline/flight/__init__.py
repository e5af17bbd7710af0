"""Flight physics: air, wind, trajectories, bounce and roll; golfers are in `decide.flights`."""
