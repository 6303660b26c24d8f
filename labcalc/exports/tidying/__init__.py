"""The flat table → tidy rows: each cell read, contradictions refused, runs named, the third quantity derived."""
