"""Text made of records, and every sentence by its key; a module loads when it is first used."""

from typing import TYPE_CHECKING

from calib.lazily import load_on_use

if TYPE_CHECKING:
    from calib.texts import (  # noqa: F401, I001
        advice, boards, book, checks, jobs, joints, planned, say, words, workshop,
    )  # fmt: skip

__getattr__ = load_on_use(__name__, {})
