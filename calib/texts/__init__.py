"""Text made of records, and every sentence by its key; a module loads when it is first used."""

import importlib
from types import ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.texts import (  # noqa: F401, I001
        advice, boards, book, checks, jobs, joints, planned, say, words, workshop,
    )  # fmt: skip


def __getattr__(name: str) -> ModuleType:
    whole = f"{__name__}.{name}"
    try:
        return importlib.import_module(whole)
    except ModuleNotFoundError as missing:
        if missing.name != whole:
            raise
        raise AttributeError(name) from None
