"""The replay screen: the dashboard over any recorded moment, with a person's hand on the time."""
