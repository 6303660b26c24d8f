"""Viscosity over temperature: the line of ASTM D341, other curves, how well they are known, blends."""
