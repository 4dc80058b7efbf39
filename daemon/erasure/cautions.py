"""The sentences that go with an estimate: what it rests on, and what to do about it."""

from daemon.erasure.inputs import LampPlace, Losses, MakerWords, Spread, StatedIrradiance
from daemon.erasure.lamp import Lamp
from daemon.erasure.light import TrayPlace
from daemon.erasure.safety import UVC_CAUTIONS, Caution, CautionCode, bare_lamp_caution
from daemon.erasure.tube import Confidence

_WEAK_MW_PER_CM2 = 1.0
"""Below this 15 J/cm² take over four hours: something is wrong with the lamp or the distance."""

_OFF_CENTRE_SHARE = 0.9
_LEANING_OVER_MM = 500.0

_ALWAYS = (
    Caution(
        CautionCode.ERASE_RANGE,
        "The range takes every unknown at its best and at its worst together. A meter reading at the chip's"
        " place narrows it most.",
    ),
    Caution(
        CautionCode.ERASE_CHECK_LOW_SUPPLY,
        "A chip that reads blank may not be erased: check it at the lowest supply that part and board allow"
        " before you trust it.",
        "a hobbyist's measurement of 2007: under-exposed 27C256s blank at 5.00 V, data legible at 4.80 V",
    ),
)
_CLEAN_WINDOW = Caution(
    CautionCode.ERASE_CLEAN_WINDOW,
    "Glue and fingerprints on the window hold back light by an unknown share: clean it, and the lamp, first.",
)


def cautions_for(
    dose_j_per_cm2: float,
    light: LampPlace | TrayPlace | StatedIrradiance,
    irradiance_mw_per_cm2: Spread,
    losses: Losses,
    maker_words: MakerWords | None,
) -> tuple[Caution, ...]:
    """Gather what to say with an estimate; `UVC_CAUTIONS` always end it."""
    found = list(_ALWAYS)
    if losses.dirt is None:
        found.append(_CLEAN_WINDOW)
    if irradiance_mw_per_cm2.nominal < _WEAK_MW_PER_CM2:
        found.append(
            Caution(
                CautionCode.ERASE_WEAK_LIGHT,
                f"Only {irradiance_mw_per_cm2.nominal:.2g} mW/cm² reach the chip, where data sheets speak of"
                " 12: bring it closer to the lamp or use a stronger one.",
            )
        )
    if isinstance(light, LampPlace):
        place = TrayPlace(Lamp.of_one(light.tube, light.distance_mm), light.along_mm, light.across_mm)
        found += _lamp_cautions(place)
    elif isinstance(light, TrayPlace):
        found += _lamp_cautions(light)
    if maker_words is not None:
        found.append(_maker_caution(dose_j_per_cm2, maker_words))
    return (*found, *UVC_CAUTIONS)


def _lamp_cautions(place: TrayPlace) -> list[Caution]:
    lamp = place.lamp
    found = [
        Caution(
            CautionCode.ERASE_LAMP_UNCONFIRMED,
            f"The figures of the {name} are recalled, not read: put in your lamp's own.",
        )
        for name in sorted(
            {each.tube.name for each in lamp.tubes if each.tube.confidence is Confidence.RECALLED}
        )
    ]
    share = place.new_irradiance_mw_per_cm2 / lamp.new_irradiance_mw_per_cm2(0, 0)
    if share < _OFF_CENTRE_SHARE:
        found.append(
            Caution(
                CautionCode.ERASE_OFF_CENTRE,
                f"This place gets {share:.0%} of the light right under the lamp's middle.",
            )
        )
    away_mw_per_cm2 = lamp.bare_irradiance_mw_per_cm2(_LEANING_OVER_MM)
    found.append(bare_lamp_caution(away_mw_per_cm2 * 1000, _LEANING_OVER_MM))
    return found


def _maker_caution(dose_j_per_cm2: float, words: MakerWords) -> Caution:
    text = f"The maker's words are {words.low_min:g} to {words.high_min:g} minutes"
    if words.irradiance_mw_per_cm2 is None:
        text += ", without saying for how strong a lamp. Time depends on the lamp: go by the dose."
    else:
        minutes = dose_j_per_cm2 * 1000 / words.irradiance_mw_per_cm2 / 60
        text += (
            f" at {words.irradiance_mw_per_cm2:g} mW/cm²; there the dose of {dose_j_per_cm2:g} J/cm² takes"
            f" {minutes:.1f} minutes. Go by the dose."
        )
    return Caution(CautionCode.ERASE_MAKER_WORDS, text, "the part's data sheet")
