"""Force histories of OpenFOAM cases: reading, joining restarts, means, standard errors, verdict."""
