"""The life of an alarm, and how often alarms ring."""
