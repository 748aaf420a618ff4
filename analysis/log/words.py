"""Words in the headers of other people's logs, and what they mean, as the trade writes them.

They are English, German, French, Spanish and some Italian.
"""

from __future__ import annotations

import re
import unicodedata

MEANINGS: dict[str, tuple[str, ...]] = {
    # what is measured
    "pressure": (
        "pressure", "press", "pres", "druck", "p", "psi", "gauge", "manometer", "pression", "presion",
        "pressione",
    ),
    "temperature": ("temperature", "temp", "temperatur", "t", "tc", "thermo", "fuehler", "probe", "temperatura"),
    "weight": (
        "weight", "scale", "gewicht", "waage", "masse", "mass", "wt", "gross", "brutto", "poids", "peso", "balance",
        "bascula", "bilancia",
    ),
    "vacuum": ("vacuum", "vac", "vakuum", "micron", "microns", "vide", "vacio", "vuoto", "pirani"),
    "load": ("load", "capacity", "leistung", "auslastung", "last", "rla", "fla", "charge", "carga"),
    "barometer": (
        "barometer", "baro", "barometric", "barometrischer", "luftdruck", "atmospheric", "atmosphere", "barometre",
        "barometro", "atmospherique", "atmosferica", "atmos",
    ),
    "time": (
        "time", "timestamp", "datetime", "date", "zeit", "datum", "uhrzeit", "zeitstempel", "clock", "elapsed",
        "laufzeit", "seconds", "sekunden", "heure", "horodatage", "hora", "fecha", "ora",
    ),
    # where
    "cylinder": (
        "cylinder", "cyl", "bottle", "flasche", "tank", "recovery", "bouteille", "botella", "cilindro", "bombola",
    ),
    "suction": (
        "suction", "suct", "suc", "saug", "sauggas", "saugdruck", "lp", "nd", "niederdruck", "ls", "lowside", "low",
        "aspiration", "aspiracion", "succion", "basse", "baja", "saugrohr", "saugseite", "bassa",
        "aspirazione",
    ),
    "discharge": (
        "discharge", "disch", "dis", "druckgas", "heissgas", "hotgas", "hp", "hd", "hochdruck", "hs", "highside",
        "high", "refoulement", "descarga", "haute", "alta", "head", "druckleitung", "druckrohr", "druckseite",
    ),
    "highside": ("hp", "hd", "hs", "highside", "high", "haute", "alta"),
    "delivery": ("mandata",),  # of a compressor as of a water pump
    "liquid": ("liquid", "liq", "fluessig", "fluessigkeit", "fluessigkeitsrohr", "liquide", "liquido"),
    "circuit": (
        "circuit", "system", "kreis", "kaeltekreis", "manifold", "hose", "service", "anlage", "nitrogen", "circuito",
        "systeme", "sistema",
    ),
    "service": ("manifold", "hose", "service"),
    "water": (
        "water", "wtr", "chw", "chilled", "wasser", "kaltwasser", "glycol", "glykol", "brine", "sole", "evap",
        "evaporator", "verdampfer", "eau", "agua",
    ),
    "condenser": (
        "condenser", "cond", "cdw", "cw", "cws", "cwr", "verfluessiger", "kondensator", "kuehlwasser", "kue", "tower",
        "condenseur", "condensador", "tour",
    ),
    "entering": (
        "entering", "ent", "in", "inlet", "eintritt", "ein", "ewt", "return", "ruecklauf", "chwr", "cws", "entree",
        "entrada", "retour", "retorno",
    ),
    "leaving": (
        "leaving", "lvg", "out", "outlet", "austritt", "aus", "lwt", "supply", "vorlauf", "chws", "cwr", "sortie",
        "salida", "depart", "impulsion",
    ),
    "ambient": (
        "ambient", "amb", "outdoor", "oat", "air", "luft", "aussen", "umgebung", "room", "raum", "ambiante",
        "ambiente", "exterieure", "exterieur", "exterior", "aire", "raumluft", "aussenluft", "maschinenraum",
        "technikraum", "ambiance", "outside", "aria",
    ),
    "surface": (
        "surface", "surf", "metal", "shell", "wall", "pipe", "oberflaeche", "rohr", "anlegefuehler", "clamp",
        "superficie", "tuyau", "tuyauterie", "tube", "tubo", "tuberia", "barrel", "rohroberflaeche",
    ),
    "oil": ("oil", "oel", "oelsumpf", "huile", "aceite"),
    "before": ("before", "pre", "upstream", "vor", "avant", "antes"),
    "after": ("after", "post", "downstream", "nach", "apres", "despues"),
    "pump": ("pump", "pumpe", "pompe", "bomba"),
    "filter": ("filter", "filt", "filtre", "filtro"),
    # what boils and condenses in a vessel, beside the water that goes through it
    "boiling": (
        "evap", "evaporator", "evaporating", "evaporation", "verdampfer", "verdampfung", "evaporateur", "evaporador",
        "evaporacion",
    ),
    "condensing": (
        "cond", "condenser", "condensing", "condensation", "verfluessiger", "verfluessigung", "kondensator",
        "kondensation", "condenseur", "condensador", "condensacion",
    ),
}  # fmt: skip
"""A meaning and the words for it, in small letters, umlauts written out."""

DAY_FIRST = frozenset({"zeit", "datum", "uhrzeit", "zeitstempel", "heure", "horodatage", "hora", "fecha", "ora"})
"""Words for the time in languages that write the day before the month, whatever the units."""

ALSO: dict[str, tuple[str, ...]] = {
    "lwt": ("water", "temperature"), "ewt": ("water", "temperature"), "chws": ("water", "temperature"),
    "chwr": ("water", "temperature"), "cws": ("temperature",), "cwr": ("temperature",), "oat": ("temperature",),
    "saugdruck": ("pressure",), "niederdruck": ("pressure",), "hochdruck": ("pressure",), "luftdruck": ("pressure",),
    "lp": ("pressure",), "hp": ("pressure",), "nd": ("pressure",), "hd": ("pressure",),
    "slt": ("suction", "temperature"), "dlt": ("discharge", "temperature"), "llt": ("liquid", "temperature"),
    "echwt": ("entering", "water", "temperature"), "lchwt": ("leaving", "water", "temperature"),
}  # fmt: skip
"""Abbreviations that say several things at once."""

PLACES = frozenset({"suction", "discharge", "liquid", "oil", "ambient", "surface", "condenser", "water", "cylinder"})
"""What may stand behind the P or T of a tag without a joint."""

ROUND_THE_PLANT = frozenset({"supply", "return", "vorlauf", "ruecklauf", "depart", "retour", "impulsion", "retorno"})
"""Water supplied leaves the evaporator, and goes to a condenser."""

COMPOUND_ENDS = (
    "temperatur",
    "temp",
    "druck",
    "gewicht",
    "austritt",
    "eintritt",
    "wasser",
    "ruecklauf",
    "vorlauf",
    "leitung",
    "last",
    "leistung",
)
"""German compounds are cut before these."""

UNIT_SPELLINGS: dict[str, str] = {
    "psig": "psig", "psia": "psia", "kpa": "kPa", "kpaa": "kPa", "kpag": "kPag", "mpa": "MPa", "mpaa": "MPa",
    "pa": "Pa", "bara": "bar", "barabs": "bar", "barg": "barg", "barue": "barg", "barrel": "barg", "bareff": "barg",
    "bargauge": "barg", "mbar": "mbar", "mb": "mbar", "hpa": "mbar",
    "torr": "Torr", "mmhg": "Torr", "inhg": "inHg", "inhgvac": "inHg", "micron": "micron", "microns": "micron",
    "mtorr": "micron", "umhg": "micron", "micrones": "micron", "micras": "micron",
    "degf": "degF", "f": "degF", "fahrenheit": "degF", "degc": "degC", "c": "degC", "celsius": "degC",
    "gradc": "degC", "k": "K", "kelvin": "K",
    "kg": "kg", "kgs": "kg", "kilograms": "kg", "kilos": "kg", "g": "g", "gram": "g", "grams": "g", "gramm": "g",
    "lb": "lb", "lbs": "lb", "pounds": "lb", "libras": "lb", "pound": "lb", "ounces": "oz", "oz": "oz",
    "pct": "%", "%": "%", "percent": "%", "prozent": "%", "hz": "Hz", "a": "A", "amp": "A", "amps": "A", "v": "V",
    "w": "W", "kw": "kW",
}  # fmt: skip
"""Spellings of the units that a log may carry, without blanks, dots and brackets."""

UNSAID_DATUM: dict[str, tuple[str, str]] = {
    "psi": ("psig", "psia"), "lbin2": ("psig", "psia"), "lbfin2": ("psig", "psia"), "bar": ("barg", "bar"),
    "bars": ("barg", "bar"), "kpa": ("kPag", "kPa"),
}  # fmt: skip
"""Units that leave open whether they count from the air or from nothing: (gauge, absolute)."""
ABSOLUTE_WORDS = frozenset({
    "a", "abs", "absolute", "absolut", "absolutdruck", "absolu", "absolue", "absoluta", "absoluto", "assoluta",
    "assoluto", "assoluti", "assolute",
})  # fmt: skip
GAUGE_WORDS = frozenset({
    "g", "gauge", "gage", "rel", "relative", "relativ", "relativa", "relativo", "relatif", "manometrica", "manometrico",
    "manometrique", "eff", "effective", "ueber", "ue",
})  # fmt: skip
ABSOLUTE_ENDS = tuple(word for word in ABSOLUTE_WORDS if len(word) > 1)
DATUM_ENDS = sorted({*ABSOLUTE_ENDS, *GAUGE_WORDS} - {"g", "eff"}, key=len, reverse=True)
"""What may stand behind a unit of pressure, the longest first: ``barabs``, ``kPa gauge``."""

_MEANS: dict[str, list[str]] = {}
for _meaning, _words in MEANINGS.items():
    for _word in _words:
        _MEANS.setdefault(_word, []).append(_meaning)


def plain(text: str) -> str:
    """Return small letters without accents, umlauts written out, the degree sign as ``deg``."""
    text = text.replace("°", "deg").replace("º", "deg").replace("µ", "u").replace("μ", "u")
    for umlaut, written in {"ä": "ae", "ö": "oe", "ü": "ue", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue", "ß": "ss"}.items():
        text = text.replace(umlaut, written)
    return unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()


def spelling(text: str) -> str:
    """Return a unit as `UNIT_SPELLINGS` and `UNSAID_DATUM` spell it: small letters, no blanks, no signs."""
    return re.sub(r"[\s.,_()\[\]/]", "", plain(text)).lower()


def is_unit(text: str) -> bool:
    """Return whether a text is the spelling of a unit that a log may carry."""
    return spelling(text) in UNIT_SPELLINGS or spelling(text) in UNSAID_DATUM


def words(text: str) -> list[str]:
    """Return the words of a header: cut at signs, digits, capitals and the joints of German compounds."""
    parts = re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|%", plain(text))
    found: list[str] = []
    for part in (p.lower() for p in parts):
        found += _cut(part)
    return found


def _cut(word: str) -> list[str]:
    """Return the parts of a German compound, and of a tag such as TSUC."""
    if word[:1] in ("p", "t") and word not in _MEANS and PLACES & set(_MEANS.get(word[1:], ())):
        return [word[0], word[1:]]
    end = next((e for e in COMPOUND_ENDS if word.endswith(e) and word != e and word not in _MEANS), None)
    if end is None:
        return [word]
    stem = word.removesuffix(end)
    joints = (stem, stem[:-1], stem[:-2])
    known = next((s for s in joints if s in _MEANS), None)
    cut = next((s for s in joints if any(s.endswith(e) for e in COMPOUND_ENDS)), stem)
    return [*([known] if known is not None else _cut(cut)), end]


def meanings(text: str) -> set[str]:
    """Return what the words of a header mean."""
    said = words(text)
    found: set[str] = set()
    for word in said:
        found |= {*_MEANS.get(word, ()), *ALSO.get(word, ())}
    ends = {"entering", "leaving"}
    return found ^ ends if "condenser" in found and len(found & ends) == 1 and ROUND_THE_PLANT & set(said) else found
