"""How a viewer and a guard find each other, and what they say to each other."""
