"""Records: names and contents of the files that stations write for each other in a results folder."""
