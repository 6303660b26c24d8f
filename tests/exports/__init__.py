"""Tests of the room of run exports."""
