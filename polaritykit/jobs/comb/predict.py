"""The comb of a set-up as it was described.

Conventions: as in `polaritykit.spectra.comb`.
"""

from polaritykit.base.air import SoundSpeed
from polaritykit.jobs.comb.inputs import CombGeometry
from polaritykit.spectra.comb import CombPrediction, predict_comb


def predict(geometry: CombGeometry, *, sound: SoundSpeed, inverted: bool, up_to_hz: float) -> CombPrediction:
    """Predict the comb of one geometry, with its remarks.

    Parameters
    ----------
    geometry : CombGeometry
        Delay and level difference of the copy.
    sound : SoundSpeed
        In the air at hand.
    inverted : bool
        Whether the two have opposite polarity.
    up_to_hz : float
        Highest notch and peak listed.
    """
    return predict_comb(
        delay_ms=geometry.delay_ms,
        delay_std_ms=geometry.delay_std_ms,
        path_difference_std_m=geometry.path_difference_std_m,
        sound=sound,
        inverted=inverted,
        level_difference_db=geometry.level_difference_db,
        level_difference_std_db=geometry.level_difference_std_db,
        up_to_hz=up_to_hz,
        remarks=geometry.remarks,
    )
