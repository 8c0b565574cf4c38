"""The thinking, pure: signal checks, strokes, process results, operating state, alarms."""
