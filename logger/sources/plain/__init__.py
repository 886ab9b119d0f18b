"""Rigs that don't speak the rig's line: numbers in lines, on MQTT topics, in Modbus registers."""
