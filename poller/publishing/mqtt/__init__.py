"""MQTT: messages to a broker, and what every output over a broker shares."""
