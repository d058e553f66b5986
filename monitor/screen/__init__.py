"""The live dashboard: a viewer of a guard. ``monitor.screen.app`` holds the application."""
