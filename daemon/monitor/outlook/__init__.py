"""What takes longer than a scan to tell: forecasts, losses, wear, drift, season, order of a start-up."""
