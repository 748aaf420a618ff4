"""Properties of refrigerants, nitrogen and water, fast enough for a day of one-second rows.

Plain functions of SI numbers: a float gives a float, an array gives an array, NaN gives NaN, and what lies
outside the stated range gives NaN.
"""

from analysis.fluids.refrigerants import Refrigerant, refrigerant, refrigerant_of
from analysis.vocabulary.refrigerants import UnknownRefrigerant

__all__ = ["Refrigerant", "UnknownRefrigerant", "refrigerant", "refrigerant_of"]
