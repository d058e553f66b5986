"""Which fault it most likely is, with evidence for and against."""
