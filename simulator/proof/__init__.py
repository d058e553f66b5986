"""Requirements that a failsafe passes or fails, on simulated cars."""
