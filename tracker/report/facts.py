"""What a run says about itself: its checks, its warnings, when and by what it was made (docs/files.md)."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.errors import InputError
from tracker.records import Check

VERDICTS = ("fail", "doubtful", "pass")  # the worst first


@dataclass(frozen=True, eq=False)
class Facts:
    """A run's own account of itself.

    checks    worst first
    written   when, ISO; "" where run.json does not say
    software  name and version of what made it
    exact     the rig came without a covariance: its own error is in no number
    """

    checks: tuple[Check, ...]
    warnings: tuple[str, ...]
    written: str
    software: str
    exact: bool

    @property
    def worst(self) -> str:
        """The worst verdict of the checks; "" where none was made."""
        return self.checks[0].verdict if self.checks else ""


def read_facts(out: Path) -> Facts:
    """Read check.json and run.json of a run's folder; an absent file says nothing, a damaged one is refused."""
    run, checks = _json(out / "run.json", {}), _json(out / "check.json", [])
    if not isinstance(run, dict) or not isinstance(checks, list):
        raise InputError(out, "run.json or check.json is not as a run writes it", "track the session again")
    found = [_check(out / "check.json", c) for c in checks]
    versions = run.get("software", {})
    return Facts(
        tuple(sorted(found, key=lambda c: VERDICTS.index(c.verdict))),
        tuple(str(w) for w in run.get("warnings", [])),
        str(run.get("written", "")),
        f"lanepair {versions.get('lanepair', '')}".strip() if isinstance(versions, dict) else "lanepair",
        bool(run.get("rig_exact", False)),
    )


def _check(file: Path, row: Any) -> Check:
    if not isinstance(row, Mapping) or row.get("verdict") not in VERDICTS:
        raise InputError(file, "holds a check without a verdict of pass, doubtful or fail", "track the session again")
    name, verdict, unit, advice = (str(row.get(k, "")) for k in ("name", "verdict", "unit", "advice"))
    value, limit = (float("nan") if row.get(k) is None else float(row[k]) for k in ("value", "limit"))
    return Check(name, verdict, value, limit, unit, advice)


def _json(file: Path, absent: Any) -> Any:
    if not file.is_file():
        return absent
    try:
        return json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as fault:
        raise InputError(file, f"is not a readable JSON file ({fault})", "track the session again") from None
