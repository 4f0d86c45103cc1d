"""The page's own sections, a folder each: what it shows, how that is laid out, and its template.

Importing this package registers all of them: a folder that is added here is on the page.
"""

from importlib import import_module
from pkgutil import iter_modules

for _module in iter_modules(__path__):
    import_module(f"{__name__}.{_module.name}")
