"""An MQTT broker: its address, login, connection, and a fake."""
