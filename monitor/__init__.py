"""Floor 3: the world. Sources, recorder, guard process, screen, review, command line."""
