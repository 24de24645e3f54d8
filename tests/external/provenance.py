"""What a check against the outside world has to say about itself."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

KINDS = (
    "published",  # printed in the source named
    "run",  # computed with the package and version named in the source
    "derived",  # arithmetic on published figures
    "common practice",  # no source; what the trade knows
)


@dataclass(frozen=True)
class Check:
    """One expected value (or several of a kind), where it comes from and how near is near enough.

    ``tolerance`` is relative, or absolute where ``absolute`` is set.
    """

    name: str
    expected: tuple[float, ...]
    source: str
    kind: str
    tolerance: float
    reason: str
    absolute: bool = False
    settings: dict[str, object] = field(default_factory=dict)

    def holds(self, measured: object) -> None:
        """Assert that ``measured`` is the expected value."""
        found = np.atleast_1d(np.asarray(measured, dtype=float))
        expected = np.asarray(self.expected, dtype=float)
        assert found.shape == expected.shape, f"{self.name}: {found.shape} values for {expected.shape}"
        limit = self.tolerance if self.absolute else self.tolerance * np.abs(expected)
        worst = np.max(np.abs(found - expected) - limit)
        assert worst <= 0.0, f"{self.name}: {found} is not {expected} within {limit}; {self.source} ({self.kind})"


def complete(check: Check) -> list[str]:
    """What a check forgot to say."""
    forgotten = [name for name in ("name", "source", "reason") if len(getattr(check, name).strip()) < 3]
    if check.kind not in KINDS:
        forgotten.append("kind")
    if check.kind == "run" and not any(character.isdigit() for character in check.source):
        forgotten.append("version in source")
    if not (0.0 < check.tolerance < 1.0 or (check.absolute and check.tolerance > 0.0)):
        forgotten.append("tolerance")
    if not check.expected or not np.all(np.isfinite(check.expected)):
        forgotten.append("expected")
    return forgotten
