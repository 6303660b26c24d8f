"""Density at another temperature and pressure, volume corrections, gravity, an oil's own expansion."""
