"""What a package holds loads when it is first used, so that a command starts fast."""

import importlib
from collections.abc import Callable, Mapping
from typing import Any


def load_on_use(package: str, homes: Mapping[str, str]) -> Callable[[str], Any]:
    """A package's ``__getattr__``: names out of the modules that are their homes, else its modules.

    Raises AttributeError when it has neither.
    """

    def load(name: str) -> Any:
        home = homes.get(name, f"{package}.{name}")
        try:
            module = importlib.import_module(home)
        except ModuleNotFoundError as missing:
            if missing.name != home:
                raise
            raise AttributeError(f"module {package!r} has no attribute {name!r}") from None
        return getattr(module, name) if name in homes else module

    return load
