"""flowdebt, floor 3: the world. Sources, recorder, guard, screen, review, command line."""
