"""What settings cost, in words.

Conventions: clauses without a full stop; dB of a source's octave in a sum.
"""

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.track_names import the_source
from polaritykit.base.wording import frequency, number
from polaritykit.decide.findings import OctaveLoss
from polaritykit.decide.setting import Where


def cost(loss: OctaveLoss | None) -> str:
    """Say what an octave of a source loses, or may lose.

    Parameters
    ----------
    loss : OctaveLoss or None
    """
    if loss is None:
        return "their sum would lose"
    sure, lost_db = lost(loss.db, loss.std_db)
    loses = f"loses {number(lost_db, 1)} dB" if sure else f"may lose up to {number(lost_db, 1)} dB"
    return f"{the_source(loss.home)} {loses} around {frequency(loss.octave_hz)} {in_sum(loss.where)}"


def lost(change_db: float, std_db: float | None) -> tuple[bool, float]:
    """Tell whether an octave is foretold to lose what is heard, and how much it loses or may lose.

    Parameters
    ----------
    change_db : float
    std_db : float or None
        Standard deviation; None in older reports.
    """
    if std_db is None or change_db <= -AUDIBLE_DB:
        return True, -change_db
    return False, std_db - change_db


def in_sum(where: Where) -> str:
    """Name the sum in which something is lost."""
    return {
        "all": "in the sum of all tracks",
        "anchor": "in its own mics with the anchor",
        "own": "in its own mics",
    }[where]
