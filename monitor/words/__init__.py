"""Words, figures and looks that every screen and every line of text shares."""
