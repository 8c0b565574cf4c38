"""The history as a time-series database holds it: questions in Flux, and what the rows of an answer mean."""
