"""What people must know about UV-C light, and how soon a bare lamp passes the daily limit.

This informs; it protects nobody. Local codes, the labels of the lamp and a hard-wired interlock come first.
"""

from dataclasses import dataclass
from enum import StrEnum

from daemon.erasure.checks import within

DAILY_LIMIT_MJ_PER_CM2 = 6.0
"""Exposure limit of eye and skin to 254 nm in 8 hours: ICNIRP (1989 limits, affirmed 2004) and ACGIH, as
given in CIE 187. ACGIH's 2022 change raised 222 nm and left 254 nm as it was."""

DAILY_LIMIT_SOURCE = "ICNIRP and ACGIH limit for 254 nm, as given in CIE 187"

_WORKDAY_S = 8 * 3600


class CautionCode(StrEnum):
    """Stable names of cautions, for front ends that show some of them elsewhere."""

    UVC_EYES_AND_SKIN = "uvc-eyes-and-skin"
    UVC_INTERLOCK = "uvc-interlock"
    UVC_UNATTENDED = "uvc-unattended"
    UVC_HOT = "uvc-hot"
    UVC_OZONE = "uvc-ozone"
    UVC_MERCURY = "uvc-mercury"
    UVC_LABELS = "uvc-labels"
    UVC_BARE_LAMP = "uvc-bare-lamp"
    ERASE_RANGE = "erase-range"
    ERASE_LAMP_UNCONFIRMED = "erase-lamp-unconfirmed"
    ERASE_CLEAN_WINDOW = "erase-clean-window"
    ERASE_CHECK_LOW_SUPPLY = "erase-check-low-supply"
    ERASE_MAKER_WORDS = "erase-maker-words"
    ERASE_WEAK_LIGHT = "erase-weak-light"
    ERASE_OFF_CENTRE = "erase-off-centre"


@dataclass(frozen=True, slots=True)
class Caution:
    """Something to know before acting: text in whole sentences, and its source where there is one."""

    code: CautionCode
    text: str
    source: str = ""


UVC_CAUTIONS: tuple[Caution, ...] = (
    Caution(
        CautionCode.UVC_EYES_AND_SKIN,
        "UV-C light burns eyes and skin, and nothing is felt while it does: the pain comes hours later. Never"
        " look at the lit lamp or its reflection, and never run it outside its closed box.",
        "CIE 187",
    ),
    Caution(
        CautionCode.UVC_INTERLOCK,
        "A box that opens without a tool needs a switch, wired into the lamp's supply, that turns the lamp"
        " off when it opens. No program can stand in for that switch.",
        "IEC PAS 63313:2021",
    ),
    Caution(
        CautionCode.UVC_UNATTENDED,
        "Do not let it run unattended or overnight: lamps, ballasts and timers fail, and parts left there for"
        " nights have been lost. Let a timer in the lamp's supply switch it off as well.",
        "common practice, no source",
    ),
    Caution(
        CautionCode.UVC_HOT,
        "The tube and its ends are hot: let it cool, and keep solvent and its vapour away from it.",
        "common practice, no source",
    ),
    Caution(
        CautionCode.UVC_OZONE,
        "Lamps of pure quartz also make ozone. Choose an ozone-free tube; if the air smells sharp, switch off"
        " and ventilate. The limit in workplace air is 0.1 ppm.",
        "OSHA and NIOSH limits, from an OSHA data sheet",
    ),
    Caution(
        CautionCode.UVC_MERCURY,
        "The tube holds mercury: air the room when one breaks, and hand old ones in.",
        "common practice, no source",
    ),
    Caution(
        CautionCode.UVC_LABELS,
        "What the lamp's label and manual, your local rules and people licensed for such work say comes"
        " first.",
        "common practice, no source",
    ),
)
"""What is shown with every estimate and every exposure."""


def permissible_exposure_s(irradiance_uw_per_cm2: float) -> float:
    """Seconds after which 254 nm light of this irradiance reaches the limit for 8 hours; eye or skin.

    Takes µW/cm², above 0 to 10⁹. A result above 28,800 s means that a working day stays below the limit.
    """
    irradiance = within("irradiance_uw_per_cm2", irradiance_uw_per_cm2, 1e-9, 1e9, "µW/cm²")
    return DAILY_LIMIT_MJ_PER_CM2 * 1000 / irradiance


def all_day_leak_share(irradiance_uw_per_cm2: float) -> float:
    """Work out what share of this irradiance may leak if somebody is there for 8 hours; at most 1."""
    return min(1.0, permissible_exposure_s(irradiance_uw_per_cm2) / _WORKDAY_S)


def bare_lamp_caution(irradiance_uw_per_cm2: float, distance_mm: float) -> Caution:
    """Say in seconds what an open box means at a distance from the lamp, as somebody leaning over it has."""
    seconds = permissible_exposure_s(irradiance_uw_per_cm2)
    when = f"in {seconds:.0f} s" if seconds >= 1.5 else "in a second or less"
    text = f"At {distance_mm / 10:g} cm from this lamp, bare, the limit for a day is reached {when}"
    share = all_day_leak_share(irradiance_uw_per_cm2)
    if share < 1:
        text += f"; for somebody who stays there all day no more than {share:.2%} of the light may escape"
    return Caution(CautionCode.UVC_BARE_LAMP, f"{text}.", DAILY_LIMIT_SOURCE)
