"""From a log to a rig: guessing columns, asking what no log can say, writing a commented file."""
