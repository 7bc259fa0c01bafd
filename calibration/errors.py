"""Every refusal. The command line prints the message on one line and stops with exit code 2.

A refusal says what was found, what was needed and what to do. Anything else that is raised is a bug.
"""

from difflib import get_close_matches
from os import PathLike
from pathlib import Path
from tempfile import TemporaryFile


class LanepairError(Exception):
    """A refusal the user can act on."""


class InputError(LanepairError):
    """An input file is wrong.

    Parameters
    ----------
    file : path
        The file at fault, as the user would name it.
    problem : str
        What was found.
    remedy : str
        How to mend it; an empty string where the problem says it.
    """

    def __init__(self, file: str | PathLike[str], problem: str, remedy: str = "") -> None:
        super().__init__(f"{file}: {problem}" + (f"; {remedy}" if remedy else ""))
        self.file, self.problem, self.remedy = file, problem, remedy


def refuse_no_folder(file: Path) -> None:
    """Refuse a file to be written whose folder is not there or takes no file, before any work is done for it."""
    folder = file.resolve().parent
    if not folder.is_dir():
        raise InputError(file, "its folder is not there", "make the folder first")
    try:
        TemporaryFile(dir=folder).close()
    except OSError as fault:
        raise InputError(file, f"cannot be written ({fault.strerror})", "name another place") from None


def nearest(word: str, known: list[str] | tuple[str, ...]) -> str:
    """A hint for a word that is not known.

    >>> nearest("rigg", ["rig", "name"])
    'did you mean "rig"?'
    >>> nearest("INVENTED a", ["Invented B", "Invented A"])
    'did you mean "Invented A"?'
    >>> nearest("zzz", ["rig", "name"])
    'known here: rig, name'
    """
    by_small = {name.casefold(): name for name in reversed(known)}
    close = [by_small[small] for small in get_close_matches(word.casefold(), list(by_small), n=1)]
    return f'did you mean "{close[0]}"?' if close else "known here: " + ", ".join(known)
