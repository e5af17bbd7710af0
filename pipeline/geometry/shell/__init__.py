"""The solver's mesh: grid on the ball, nodes on dimple edges, extrusion, quality, files."""
