"""Every tunable number with unit, range and reason, one class a stage; a TOML file may replace any of them.

A stage takes its own class and nothing else. `read_settings` maps [vision], [tracking] and [flight] of a TOML file
onto the classes and refuses what it does not know.
"""

from dataclasses import dataclass, field, fields, replace
from pathlib import Path

from calibration.errors import InputError, nearest
from calibration.rig import read_toml


@dataclass(frozen=True)
class VisionSettings:
    """Seeing the ball."""


@dataclass(frozen=True)
class TrackingSettings:
    """Following the ball."""


@dataclass(frozen=True)
class FlightSettings:
    """Fitting the flight."""


@dataclass(frozen=True)
class Settings:
    """All of them."""

    vision: VisionSettings = field(default_factory=VisionSettings)
    tracking: TrackingSettings = field(default_factory=TrackingSettings)
    flight: FlightSettings = field(default_factory=FlightSettings)


def read_settings(path: Path | None) -> Settings:
    """Settings from a TOML file, the defaults where it is silent (None: all defaults)."""
    settings = Settings()
    if path is None:
        return settings
    for part, table in read_toml(path).items():
        stages = [f.name for f in fields(Settings)]
        if part not in stages or not isinstance(table, dict):
            raise InputError(path, f'unknown table "{part}"', nearest(part, stages))
        stage = getattr(settings, part)
        known = {f.name: f for f in fields(stage)}
        for key, value in table.items():
            if key not in known:
                raise InputError(path, f'unknown key "{part}.{key}"', nearest(key, list(known)))
            default = getattr(stage, key)
            if type(value) is not type(default) and not (isinstance(default, float) and type(value) is int):
                raise InputError(path, f"{part}.{key} is {value!r}", f"a {type(default).__name__} is needed")
        settings = replace(settings, **{part: replace(stage, **table)})
    return settings
