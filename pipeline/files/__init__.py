"""Files: written in one step, read within bounds; delimited tables, arrays, JSON records by form."""
