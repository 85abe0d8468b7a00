"""MQTT: devices bound to topics of a broker of the user's choice."""

from transports.mqtt.transport import MqttTransport

__all__ = ["MqttTransport"]
