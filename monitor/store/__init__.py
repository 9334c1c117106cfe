"""Where everything is kept: the only importer of sqlite3."""
