"""Alarms: life cycle, conditions, engine, performance figures. Pure: time comes in, nothing goes out."""

from daemon.monitor.alarms.actions import ActionRefusedError, Refusal
from daemon.monitor.alarms.conditions import AlarmInputs
from daemon.monitor.alarms.engine import AlarmEngine
from daemon.monitor.alarms.record import AlarmSnapshot

__all__ = ["ActionRefusedError", "AlarmEngine", "AlarmInputs", "AlarmSnapshot", "Refusal"]
