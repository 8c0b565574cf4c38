"""The field simulator: plant physics, a Modbus server, an MQTT publisher, named upsets."""
