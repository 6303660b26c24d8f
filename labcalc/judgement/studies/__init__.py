"""Files that a person brings: rounds of proficiency tests, two methods side by side, studies of precision."""
