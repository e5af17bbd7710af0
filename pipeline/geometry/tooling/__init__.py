"""For the toolmaker and other programs: mould, cut list, STEP, drawings, triangulated skin."""
