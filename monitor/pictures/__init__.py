"""Pictures to keep: a screen as SVG or PNG, a simulated drive as a plot."""
