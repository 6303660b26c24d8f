"""Bytes → text or cells → records: the lines of an export."""
