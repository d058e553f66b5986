"""The dashboard's panes, one small widget a file. None of them knows the application."""
