"""Readers of field data; nothing here can write to a controller."""
