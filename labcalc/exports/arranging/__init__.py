"""Records → one flat table: where the header stands, what its columns hold, which lines are rows."""
