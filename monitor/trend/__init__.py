"""A season of logs: each read into few numbers, in order of their days, told and drawn."""
