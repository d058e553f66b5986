"""Over many sessions of one car: what changes, since when, how fast, and which fault that is."""
