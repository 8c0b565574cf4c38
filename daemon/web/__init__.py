"""The HTTP API and the live page."""
