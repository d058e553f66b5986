"""The dashboard in a browser: one guard, one server on loopback, a viewer process a visitor."""
