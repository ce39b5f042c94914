"""Who may come in: one-time tokens that are limited in time, and the sessions they open."""

from __future__ import annotations

import hashlib
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

# Long enough to walk to the machine with the phone, too short to be of use from a photograph of
# the screen the next day.
TOKEN_LASTS_S = 600.0
# An evening at the machine; the phone then asks for another token.
SESSION_LASTS_S = 12 * 3600.0
_TOKEN_BYTES = 24
# More phones than a workshop has; the oldest tokens and sessions go first.
_MOST = 64


@dataclass(kw_only=True)
class Gate:
    """Lets in whoever brings a token, once; afterwards by the session's cookie.

    Tokens and sessions are kept in memory, as digests: a restart forgets them all.
    """

    clock: Callable[[], float]  # Seconds that only ever grow [s]
    _tokens: dict[str, float] = field(default_factory=dict)
    _sessions: dict[str, float] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def new_token(self) -> str:
        """Make a token that opens one session within ten minutes."""
        return self._add(self._tokens, TOKEN_LASTS_S)

    def is_good(self, token: str) -> bool:
        """Say whether a token would still open a session; it isn't used up by asking."""
        with self._lock:
            return self._tokens.get(_digest(token), 0.0) > self.clock()

    def enter(self, token: str) -> str | None:
        """Use a token up."""
        with self._lock:
            ends = self._tokens.pop(_digest(token), 0.0)
        return self._add(self._sessions, SESSION_LASTS_S) if ends > self.clock() else None

    def knows(self, session: str) -> bool:
        """Say whether a cookie belongs to a session that is still open."""
        with self._lock:
            return self._sessions.get(_digest(session), 0.0) > self.clock()

    def lock_out(self, but: str) -> None:
        """End every session but one, and every token."""
        with self._lock:
            kept = {key: ends for key, ends in self._sessions.items() if key == _digest(but)}
            self._sessions = kept
            self._tokens = {}

    @property
    def guests(self) -> int:
        """How many sessions are open."""
        now = self.clock()
        with self._lock:
            return sum(ends > now for ends in self._sessions.values())

    def _add(self, kept: dict[str, float], lasts_s: float) -> str:
        secret = secrets.token_urlsafe(_TOKEN_BYTES)
        now = self.clock()
        with self._lock:
            for old in [key for key, ends in kept.items() if ends <= now]:
                del kept[old]
            while len(kept) >= _MOST:
                del kept[next(iter(kept))]
            kept[_digest(secret)] = now + lasts_s
        return secret


def _digest(secret: str) -> str:
    # Looked up by digest, so that the time of a look-up tells nothing about the secret.
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
