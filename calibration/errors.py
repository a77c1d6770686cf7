"""One root error. Every failure says what is wrong, where, and how to mend it."""

from __future__ import annotations

BAD_INPUT = 2
UNDECIDED = 3


class WitmarkError(Exception):
    """A failure that the user can mend.

    Parameters
    ----------
    where
        The file, option or field that is wrong, as the user typed it.
    what
        What is wrong with it, in plain words and on one line.
    mend
        What to do about it.
    exit_status
        Exit status of the process; 2 for bad usage and bad input.
    """

    def __init__(self, where: str, what: str, mend: str, exit_status: int = BAD_INPUT) -> None:
        self.where = where
        self.what = what
        self.mend = mend
        self.exit_status = exit_status
        super().__init__(self.line)

    def __reduce__(self) -> tuple[type[WitmarkError], tuple[str, str, str, int]]:
        """Tell how to make it again where it comes from another process."""
        return type(self), (self.where, self.what, self.mend, self.exit_status)

    @property
    def line(self) -> str:
        """The whole message on one line: where, what, how to mend."""
        return " ".join(f"{self.where}: {self.what}; {self.mend}".split())
