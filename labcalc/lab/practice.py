"""What is usual at the cell, and what can hurt there: the same words on every page."""

FILLING_AND_CLEANING = (
    "Common practice: a fill of at least 1.5 mL, pushed slowly and free of bubbles, and about 1 mL more before the "
    "second reading; solvent in two goes of about 2 and 3 mL, the plunger moved to and fro; drained with air; dried "
    "about 120 s with oil-free air at no more than 1 bar. The maker's procedure and the laboratory's own safety rules "
    "come first."
)  # trade figures without a published source
SOLVENTS = (
    "Cleaning solvents burn and their vapours harm: fume hood, no flame or hot surface, the gloves and eye protection "
    "that the safety data sheet asks for."
)
PRESSED_AIR = "Compressed air for drying: low pressure, never towards a person, eye protection on."
HOT = (
    "A cell and an oil at 100 °C burn the skin: let them cool, or wear the gloves that the safety data sheet asks for."
)
SPITS = "Water in oil at 100 °C boils and spits: heat it in the closed cell only, with eye protection and a shield."
LOCAL_RULES = "The laboratory's own safety rules, local codes and licensed practice come first."
