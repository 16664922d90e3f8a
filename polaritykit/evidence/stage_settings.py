"""x"""

from dataclasses import dataclass, field

from polaritykit.changes.settings import ChangeSettings
from polaritykit.decide.settings import AdviceSettings, AgreementSettings, AlignmentSettings, PairSettings
from polaritykit.evidence.settings import EvidenceSettings, LimitSettings
from polaritykit.levels.settings import LevelSettings
from polaritykit.spectra.settings import KitSumSettings
from polaritykit.struck.settings import ArrivalSettings, EventSettings
from polaritykit.sustained.settings import ContinuousSettings


@dataclass(frozen=True, kw_only=True)
class Settings:
    """All settings of an analysis."""

    levels: LevelSettings = field(default_factory=LevelSettings)
    events: EventSettings = field(default_factory=EventSettings)
    arrival: ArrivalSettings = field(default_factory=ArrivalSettings)
    evidence: EvidenceSettings = field(default_factory=EvidenceSettings)
    continuous: ContinuousSettings = field(default_factory=ContinuousSettings)
    agreement: AgreementSettings = field(default_factory=AgreementSettings)
    pairs: PairSettings = field(default_factory=PairSettings)
    advice: AdviceSettings = field(default_factory=AdviceSettings)
    alignment: AlignmentSettings = field(default_factory=AlignmentSettings)
    limits: LimitSettings = field(default_factory=LimitSettings)
    changes: ChangeSettings = field(default_factory=ChangeSettings)
    kit_sum: KitSumSettings = field(default_factory=KitSumSettings)
    #: Frame of the pooled spectra, samples at up to 48 kHz (twice that at twice the rate).
    fft_size: int = 8192
