"""Other scales and quantities of viscosity."""
