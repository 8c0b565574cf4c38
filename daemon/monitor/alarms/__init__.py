"""Alarms: life cycle, conditions, engine, performance figures. Pure: time comes in, nothing goes out."""
