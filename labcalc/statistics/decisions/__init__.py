"""Decisions: uncertainty, conformity and its risks, acceptance, proficiency."""
