"""A progress display for long work: bars on a terminal, a line a stage where there is none."""

import sys
import threading
from types import TracebackType

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn, TimeRemainingColumn


class StageProgress:
    """Shows stages by name; call it with (stage, done, total). Safe to call from several threads."""

    def __init__(self) -> None:
        self._terminal = sys.stderr.isatty()
        self._lock = threading.Lock()
        self._seen: dict[str, TaskID] = {}
        columns = (TextColumn("{task.description:<34}"), BarColumn(), TimeElapsedColumn(), TimeRemainingColumn())
        self._bars = Progress(*columns, console=Console(stderr=True), disable=not self._terminal)

    def __enter__(self) -> "StageProgress":
        self._bars.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bars.stop()

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Report that `done` of `total` (0: not known) steps of a stage are finished."""
        with self._lock:
            if stage not in self._seen:
                self._seen[stage] = self._bars.add_task(stage, total=total or None)
                if not self._terminal:
                    print(stage, file=sys.stderr, flush=True)
            self._bars.update(self._seen[stage], completed=done, total=total or None)
