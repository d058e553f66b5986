"""From MQTT topics to samples."""
