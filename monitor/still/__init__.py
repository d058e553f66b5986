"""Still pictures of a screen: its cells taken, then drawn as SVG or PNG without a terminal."""
