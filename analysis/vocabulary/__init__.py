"""Names, units and settings that the recorder and the analysis share. Light: no numpy, no pandas."""
