"""An adaptive general-purpose method from the registry, in an environment of its own.

``Peer`` is the side that a benchmark holds: it starts this file with the Python of `.venv/peer`
(made on first use from requirements/peer.txt) and talks to it in lines of JSON. The other side is
questplus (R. Höchenberger; A. B. Watson, "QUEST+: A general multidimensional Bayesian adaptive
psychometric method", Journal of Vision 17(3):10, 2017, from memory): yes/no trials along one axis,
here −ln speed at the power ceiling, a cumulative normal with unknown mean and sd, each next
trial the one of least expected entropy.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
_ENVIRONMENT = ROOT / ".venv" / "peer"


class Peer:
    """The other process; one test at a time."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [str(_python()), str(Path(__file__))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def begin(self) -> float:
        """Start a test; give the first intensity, in ln units around what is expected."""
        return float(self._ask({"do": "begin"}))

    def answer(self, through: bool) -> float:
        """Record an answer; give the next intensity."""
        return float(self._ask({"do": "answer", "through": through}))

    def advise(self, reliability: float) -> float | None:
        """Least intensity whose predicted chance meets the reliability; None when none does."""
        found = self._ask({"do": "advise", "reliability": reliability})
        return None if found is None else float(found)

    def close(self) -> None:
        """End the other process."""
        assert self._process.stdin
        assert self._process.stdout
        self._process.stdin.close()
        self._process.wait(timeout=30)
        self._process.stdout.close()

    def _ask(self, question: dict[str, Any]) -> Any:
        assert self._process.stdin
        assert self._process.stdout
        self._process.stdin.write(json.dumps(question) + "\n")
        self._process.stdin.flush()
        return json.loads(self._process.stdout.readline())


def _python() -> Path:
    python = _ENVIRONMENT / "bin" / "python"
    if not (_ENVIRONMENT / "done").is_file():
        sys.stderr.write("Installing requirements/peer.txt into .venv/peer ...\n")
        subprocess.run([sys.executable, "-m", "venv", "--clear", str(_ENVIRONMENT)], check=True)
        pins = ROOT / "requirements" / "peer.txt"
        subprocess.run([str(python), "-m", "pip", "install", "-qq", "-r", str(pins)], check=True)
        (_ENVIRONMENT / "done").touch()
    return python


# The side that runs in the peer's environment.


def _new_test() -> Any:
    import numpy as np
    from questplus import QuestPlus

    return QuestPlus(
        stim_domain={"intensity": np.linspace(-1.4, 1.4, 71)},
        param_domain={
            "mean": np.linspace(-1.2, 1.2, 97),
            "sd": np.geomspace(0.02, 0.3, 12),
            "lower_asymptote": np.array([0.005]),
            "lapse_rate": np.array([0.005]),
        },
        outcome_domain={"response": ["through", "not"]},
        func="norm_cdf",
        stim_scale="linear",
        stim_selection_method="min_entropy",
        param_estimation_method="mean",
    )


def _advice(test: Any, reliability: float) -> float | None:
    """From the posterior over mean and sd: the predicted chance at each intensity."""
    import numpy as np
    from scipy.stats import norm

    posterior = test.posterior.transpose("mean", "sd", "lower_asymptote", "lapse_rate").values[
        :, :, 0, 0
    ]
    middle = test.param_domain["mean"][:, None]
    spread = test.param_domain["sd"][None, :]
    intensity = np.linspace(-1.4, 1.4, 561)
    chance = np.array([(posterior * norm.cdf((x - middle) / spread)).sum() for x in intensity])
    good = intensity[chance >= reliability]
    return float(good.min()) if good.size else None


def _serve() -> None:
    test: Any = None
    for line in sys.stdin:
        question = json.loads(line)
        if question["do"] == "begin":
            test = _new_test()
        if question["do"] == "answer":
            response = "through" if question["through"] else "not"
            test.update(stim=test.next_stim, outcome={"response": response})
        if question["do"] == "advise":
            reply = _advice(test, question["reliability"])
        else:
            reply = float(test.next_stim["intensity"])
        sys.stdout.write(json.dumps(reply) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    _serve()
