"""What sensors and forecasts say becomes readings."""
