"""The laboratory's record: what was read, refused and decided, added to and never changed; each entry names the last.

Only this room knows SQLAlchemy, and it is loaded when a record is opened.
"""
