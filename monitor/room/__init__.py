"""What happens in a drying room; pure: the time is always an argument."""
