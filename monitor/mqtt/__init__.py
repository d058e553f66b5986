"""MQTT behind one adapter: addresses, logins, and a link that looks after its connection."""
