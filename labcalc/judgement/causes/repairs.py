"""What confirms a cause and repairs it, as an expert of the bench would say it; what the trade does, not a standard."""

from __future__ import annotations

SURE = 0.95  # probability of the leading cause above which its repair is told instead of what tells it apart, [-]

_REPAIRS = {
    "noise": "Nothing is to be repaired. Where the verdict asks for more, fill a clean cell again and report both.",
    "cell temperature": "Hold the cell against a calibrated thermometer, or run a reference oil at this temperature: "
    "off by as much confirms it. Mend the temperature, let it settle, and fill again; never correct the viscosity by "
    "calculation. Runs since the last good check of this cell are doubtful too.",
    "air bubble": "Degas and refill: let the sample stand warm until no bubble rises, look at the cell where it has a "
    "window, and fill anew. Density that comes back while viscosity stays confirms it; the aired fill doesn't count.",
    "residue": "Clean and dry the cell, and fill twice from the same bottle: a second fill that lies further from the "
    "sample before than the first confirms it. Report the fills that agree, and clean twice after such a sample.",
    "solvent": "Drain and dry the cell anew, and for longer, then fill again: viscosity that comes back confirms it. "
    "A density that looks right clears nothing: aromatic solvents weigh what oil weighs. Look after the air supply.",
    "dilution": "Open a second bottle or the retained sample, and have the flash point measured: petrol and kerosine "
    "lower it sharply, gas oil less. If both agree the lot is diluted: hold it, and tell who sampled it.",
    "water": "Have water measured by Karl Fischer titration (ASTM D6304), from a second bottle, shaken. Don't heat it "
    "to 100 °C, and dry it only where the method says so: as received, the result is that of oil with water.",
    "instrument bias": "Stop releasing results of this instrument. Run its reference oil fresh from the bottle, and a "
    "second oil: only if both lie off has the instrument moved. Adjust by the maker's procedure only, write it down, "
    "and measure this sample again.",
    "another product": "Fetch both bottles and read their labels, then run each again from its bottle. A swap has two "
    "halves: look for the run of the same day that shows this product's numbers, and correct both or neither.",
    "slip": "Look the value up in the original record. Correct it there as the laboratory's rules say (struck "
    "through, dated, signed) and export again; never edit the export.",
    "blend": "Open a second bottle, and ask what was in the can, line or tank before: if both bottles agree the lot is "
    "mixed. Hold it, and look at the first and the last bottle of its filling.",
    "light ends": "Take a fresh bottle, cold and closed, fill from it at once, and report that fill: the next ones "
    "have lost more. Say in the report that the sample loses light ends.",
    "wax": "Warm the sample as its method prescribes until it is clear, stir it, and fill again; measure well above "
    "its cloud and pour point, or say that the value depends on how it was heated and cooled.",
    "two at once": "Repair first what is at the cell: clean and dry it, and fill again; what is left is the other's.",
    "changed": "Open a second bottle or the retained sample: if it differs, the first one changed. Acid number and "
    "infrared tell oxidation; viscosity lower by alike per cent hot and cold, density the same, tells shear.",
}
_OF_ANY_OTHER = (
    "Fill a clean cell again from a second bottle, and run a reference oil beside it: what stays with the bottle is "
    "the sample's, what goes with the cell the instrument's. Then ask who sampled and who measured."
)


def repair_of(cause: str) -> str:
    """Return what confirms and repairs a cause; how to fill and clean is told by ``FILLING_AND_CLEANING``."""
    return _REPAIRS.get(cause, _OF_ANY_OTHER)
