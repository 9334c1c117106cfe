"""A space's past becomes the likely courses of its next day."""
