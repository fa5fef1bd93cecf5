"""Where the training sounds come from: package, licence, and what each sound is.

Every package is in Debian's *main* archive area, so its licence meets the
Debian Free Software Guidelines (which allow use in any field of endeavour).
Licences are as stated in each package's ``copyright`` file.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Sounds that are struck in a mix but are no instrument of the drum key:
#: the detector learns to leave them alone.
OTHER = "other percussion"


@dataclass(frozen=True)
class Package:
    """A Debian package and the licence of what is taken from it."""

    name: str
    licence: str
    use: str


PACKAGES: tuple[Package, ...] = (
    Package("avldrums.lv2-soundfont", "CC BY-SA 3.0", "two acoustic kits"),
    Package("hydrogen-drumkits", "GPL-2(+), CC BY 3.0, CC BY-SA 3.0, CC0 (by kit)", "acoustic and electronic kits"),
    Package("fluid-soundfont-gm", "MIT", "General MIDI kits and notes"),
    Package("musescore-general-soundfont", "MIT, parts CC0 or public domain", "General MIDI kits and notes"),
    Package("timgm6mb-soundfont", "GPL-2", "General MIDI kits, kept out of training"),
    Package("freepats", "GPL-2+ with exception for compositions", "one General MIDI kit"),
    Package("lmms-common", "GPL-2+", "single drum sounds"),
    Package("sonic-pi-samples", "CC0", "single drum sounds"),
    Package("fretsonfire-songs-sectoid", "MIT/X11", "guitar stems as backing"),
    Package("wesnoth-1.16-music", "GPL-2+ and CC BY-SA 4.0", "backing"),
    Package("singularity-music", "CC BY-SA 3.0", "backing"),
    Package("hyperrogue-music", "CC BY-SA 3.0", "backing"),
    Package("hedgewars-data", "GPL-2 and GFDL-1.3", "backing"),
    Package("asc-music", "GPL-2+", "backing"),
    Package("widelands-data", "GPL-2+ and CC BY-SA 3.0", "backing"),
    Package("naev-data", "GPL-3+, CC BY 3.0, CC BY-SA 3.0, public domain", "backing"),
    Package("warzone2100-music", "GPL-2+, CC BY-SA 3.0, CC0", "backing"),
    Package("supertux-data", "GPL-2+, CC BY-SA 3.0/4.0", "backing"),
    Package("unknown-horizons", "GPL-2+, CC BY-SA 3.0", "backing"),
    Package("freedroidrpg-data", "GPL-2+", "backing"),
    Package("flare-game", "CC BY-SA 3.0+", "backing"),
    Package("megaglest-data", "CC BY-SA 3.0", "backing"),
    Package("colobot-common-sounds", "GPL-3+", "backing"),
    Package("extremetuxracer-data", "GPL-2+, CC0", "backing"),
    Package("lincity-ng-data", "GPL-2+", "backing"),
)

#: Recorded backing kept out of training, for the validation set.
HELD_OUT_BACKING = ("unknown-horizons", "colobot-common-sounds", "asc-music")

#: Kits kept out of training, for the validation set: two acoustic kits
#: (one of them in two packages) and a whole General MIDI font.
HELD_OUT_KITS = ("Black Pearl", "BJA Pacific", "Tim GM")

#: Sound-font presets whose keys do not follow the General MIDI drum map.
OTHER_KEY_MAPS = ("Orchestra", "Marching", "Old", "Metronome")

#: General MIDI Level 1 percussion keys (MIDI Association, *General MIDI
#: System Level 1*), read as instruments of the drum key.
GENERAL_MIDI = {
    35: "kick",
    36: "kick",
    37: "side stick",
    38: "snare",
    40: "snare",
    41: "floor tom",
    43: "floor tom",
    45: "mid tom",
    47: "mid tom",
    48: "high tom",
    50: "high tom",
    42: "closed hi-hat",
    44: "pedal hi-hat",
    46: "open hi-hat",
    49: "crash",
    57: "crash",
    52: "crash",
    55: "crash",
    51: "ride",
    59: "ride",
    53: "ride bell",
    54: "tambourine",
    39: OTHER,
    56: OTHER,
    60: OTHER,
    61: OTHER,
    62: OTHER,
    63: OTHER,
    64: OTHER,
    65: OTHER,
    66: OTHER,
    67: OTHER,
    69: OTHER,
    70: OTHER,
    75: OTHER,
    76: OTHER,
    80: OTHER,
    82: OTHER,
}

#: Key map of the avldrums sound fonts (the package's own key names).
AVLDRUMS = {
    36: "kick",
    37: "side stick",
    38: "snare",
    40: "snare",
    41: "floor tom",
    43: "floor tom",
    45: "mid tom",
    47: "high tom",
    42: "closed hi-hat",
    44: "pedal hi-hat",
    46: "open hi-hat",
    48: "open hi-hat",
    49: "crash",
    57: "crash",
    60: "crash",
    51: "ride",
    59: "ride",
    53: "ride bell",
    54: "tambourine",
    39: OTHER,
    56: OTHER,
}

#: Groove MIDI's pad map (data set's own mapping page): note to instrument.
GROOVE_MIDI = {
    36: "kick",
    38: "snare",
    40: "snare",
    37: "side stick",
    48: "high tom",
    50: "high tom",
    45: "mid tom",
    47: "mid tom",
    43: "floor tom",
    58: "floor tom",
    46: "open hi-hat",
    26: "open hi-hat",
    42: "closed hi-hat",
    22: "closed hi-hat",
    44: "pedal hi-hat",
    49: "crash",
    55: "crash",
    57: "crash",
    52: "crash",
    51: "ride",
    59: "ride",
    53: "ride bell",
}

_MILLO = {
    "Kick": "kick",
    "Stick": "side stick",
    "Snare Jazz": "snare",
    "Hand Clap": OTHER,
    "Snare Rock": "snare",
    "Tom Low": "floor tom",
    "Closed HH": "closed hi-hat",
    "Tom Mid": "mid tom",
    "Pedal HH": "pedal hi-hat",
    "Tom Hi": "high tom",
    "Open HH": "open hi-hat",
    "Cowbell": OTHER,
    "Ride Jazz": "ride",
    "Crash": "crash",
    "Ride Rock": "ride",
    "Crash Jazz": "crash",
}

#: Hydrogen kits: folder to (kit name, {instrument name or its beginning: drum key}).
#: One more is left out: the avldrums fonts hold the same sounds.
HYDROGEN: dict[str, tuple[str, dict[str, str]]] = {
    "Audiophob": (
        "Audiophob",
        {
            "Kick": "kick",
            "Stick": "side stick",
            "Snare": "snare",
            "Hand Clap": OTHER,
            "Tom Low": "floor tom",
            "Closed HH": "closed hi-hat",
            "Tom Mid": "mid tom",
            "Pedal HH": "pedal hi-hat",
            "Tom Hi": "high tom",
            "Open HH": "open hi-hat",
            "Cowbell": OTHER,
            "Ride": "ride",
            "Crash": "crash",
        },
    ),
    "BJA_Pacific": (
        "BJA Pacific",
        {
            "BassDrum": "kick",
            "Snare Dry": "snare",
            "Snare Roll": OTHER,
            "Snare": "snare",
            "Hi Hat Closed": "closed hi-hat",
            "Hi Hat Opened": "open hi-hat",
            "Tom": "high tom",
            "Floor Tom": "floor tom",
            "Crash": "crash",
            "Ride Bell": "ride bell",
            "Ride": "ride",
        },
    ),
    "ColomboAcousticDrumkit": (
        "Colombo",
        {
            "BassDrum": "kick",
            "Stick": "side stick",
            "Snare1": "snare",
            "Snare Rock": "snare",
            "Tom Low": "floor tom",
            "Closed HH": "closed hi-hat",
            "Tom Mid": "mid tom",
            "Pedal HH": "pedal hi-hat",
            "Tom Hi": "high tom",
            "Open HH": "open hi-hat",
            "tomhi": "high tom",
            "crash": "crash",
            "ride-crash": "crash",
            "ride-cup": "ride bell",
        },
    ),
    "ElectricEmpireKit": (
        "Electric Empire",
        {
            "Kick": "kick",
            "Snare": "snare",
            "Clap": OTHER,
            "Hat Closed": "closed hi-hat",
            "Hat Low": "closed hi-hat",
            "Hat Ring": "closed hi-hat",
            "Hat Op": "open hi-hat",
            "Conga": OTHER,
        },
    ),
    "ForzeeStereo": (
        "Forzee",
        {
            "Kick": "kick",
            "Tom Low": "floor tom",
            "Tom Mid": "mid tom",
            "Tom High": "high tom",
            "Snare": "snare",
            "Rim Click": "side stick",
            "Hi-Hat Closed": "closed hi-hat",
            "Hi-Hat Open": "open hi-hat",
            "Hi-Hat Semiopen": "open hi-hat",
            "Hi-Hat Pedal": "pedal hi-hat",
            "Ride Bell": "ride bell",
            "Ride Bow": "ride",
            "Ride (": "ride",
            "China": "crash",
            "Crash/Ride Bow": "ride",
            "Crash/Ride (": "crash",
            "Crash (": "crash",
            "Splash": "crash",
            "Tambourine": "tambourine",
            "Agogo": OTHER,
            "Stick": OTHER,
        },
    ),
    "Gimme A Hand 1.0": (
        "Gimme A Hand",
        {
            "Cajon": OTHER,
            "Maraca": OTHER,
            "Hand Clap": OTHER,
            "Finger": OTHER,
            "Bongo": OTHER,
            "Tambourine": "tambourine",
            "Cowbell": OTHER,
            "Clave": OTHER,
            "Woodblock": OTHER,
        },
    ),
    "HardElectro1": (
        "Hard Electro",
        {
            "Kick": "kick",
            "Snare": "snare",
            "Clap": OTHER,
            "Closed HH": "closed hi-hat",
            "Open HH": "open hi-hat",
            "Side HH": "closed hi-hat",
            "Side OHH": "open hi-hat",
        },
    ),
    "Millo-Drums_v.1": ("Millo 1", _MILLO),
    "Millo_MultiLayered2": ("Millo 2", _MILLO),
    "Millo_MultiLayered3": ("Millo 3", {k: v for k, v in _MILLO.items() if k != "Snare Jazz"}),
    "VariBreaks": (
        "VariBreaks",
        {
            "VariBreaks Kick": "kick",
            "VariBreaks Snare": "snare",
            "VariBreaks Tom Low": "floor tom",
            "VariBreaks Tom Mid": "mid tom",
            "VariBreaks Tom Hi": "high tom",
            "VariBreaks Hat 1 Cl": "closed hi-hat",
            "VariBreaks Hat 1 Pd": "pedal hi-hat",
            "VariBreaks Hat 1 Op": "open hi-hat",
            "VariBreaks Hat 2 Cl": "closed hi-hat",
            "VariBreaks Hat 3 Cl": "closed hi-hat",
        },
    ),
    "circAfrique v4": ("Afrique", {"Djembe": OTHER, "Sangban1 Bell": OTHER, "Kenkeni1 Bell": OTHER}),
    "rumpf_kit_z01_h2": (
        "Rumpf",
        {
            "c3 - bass": "kick",
            "c#3 - stick": "side stick",
            "d3 - snare": "snare",
            "d#3 - clap": OTHER,
            "e3 - snare": "snare",
            "f3 - bass": "kick",
            "f#3 - hi-hat": "closed hi-hat",
            "g3 - bass": "kick",
            "g#3 - hi-hat": "pedal hi-hat",
            "a3 - bass": "kick",
            "a#3 - hi-hat": "open hi-hat",
            "b3 - low": "floor tom",
            "c4 - middle": "mid tom",
            "c#4 - crash": "crash",
            "d4 - high": "high tom",
            "f4 - ride": "ride bell",
            "g#4 - cowbell": OTHER,
        },
    ),
}

#: Single files of sonic-pi-samples and lmms-common, by the beginning of the name.
SINGLE_FILES = {
    "bd_": "kick",
    "drum_bass_": "kick",
    "drum_heavy_kick": "kick",
    "elec_hollow_kick": "kick",
    "elec_soft_kick": "kick",
    "drum_cymbal_closed": "closed hi-hat",
    "drum_cymbal_pedal": "pedal hi-hat",
    "drum_cymbal_open": "open hi-hat",
    "drum_cymbal_hard": "crash",
    "drum_cymbal_soft": "ride",
    "drum_splash_": "crash",
    "drum_snare_": "snare",
    "drum_tom_hi": "high tom",
    "drum_tom_mid": "mid tom",
    "drum_tom_lo": "floor tom",
    "elec_snare": "snare",
    "elec_hi_snare": "snare",
    "elec_mid_snare": "snare",
    "elec_lo_snare": "snare",
    "elec_filt_snare": "snare",
    "sn_": "snare",
    "perc_snap": OTHER,
    "perc_bell": OTHER,
    "elec_wood": OTHER,
    "drum_cowbell": OTHER,
    "tabla_": OTHER,
    "bassdrum": "kick",
    "kick": "kick",
    "hihat_closed": "closed hi-hat",
    "hihat_foot_pedal": "pedal hi-hat",
    "hihat_opened": "open hi-hat",
    "crash": "crash",
    "ride": "ride",
    "sidestick": "side stick",
    "rim01": "side stick",
    "snare": "snare",
    "nasty_snare": "snare",
    "tom_hi": "high tom",
    "tom_mid": "mid tom",
    "tom_low": "floor tom",
    "clap": OTHER,
    "clav": OTHER,
    "shaker": OTHER,
    "wood": OTHER,
}


def classify(name: str, table: dict[str, str]) -> str | None:
    """Drum-key name of a sound by the longest entry of *table* its name begins with."""
    hits = [k for k in table if name.startswith(k)]
    return table[max(hits, key=len)] if hits else None
