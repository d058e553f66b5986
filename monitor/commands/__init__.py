"""The commands, one file each; what is heavy is imported when a command runs."""
