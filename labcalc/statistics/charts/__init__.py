"""Control charts: limits, rules, run lengths."""
