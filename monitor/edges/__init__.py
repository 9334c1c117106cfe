"""One outside thing each: clock, broker, phone, page."""
