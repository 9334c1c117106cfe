"""Many stored minutes at once, on arrays: the same answers as minute by minute, sooner."""
