"""One TOML file in; all of it, or every problem at once."""
