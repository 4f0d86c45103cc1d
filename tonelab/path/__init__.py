"""The model of a path: which steps, in which order, made a capture of its source."""

from importlib import import_module

# A module registers its steps when it is imported.
for _module in ("steps", "filters"):
    import_module(f"{__name__}.{_module}")
