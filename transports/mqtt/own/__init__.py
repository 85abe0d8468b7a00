"""The project's own schema over MQTT: whoever speaks says who it is and what it has heard."""
