"""Is the laboratory described rightly? What lab.toml contradicts, what the exports know and it doesn't, a first one."""
