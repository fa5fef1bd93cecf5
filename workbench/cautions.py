"""What a reader should know where the work can hurt: hearing, strain, rights.

One text each, shown by packs, reports and readings alike.
"""

HEARING = (
    "Loud practice harms hearing for good. The recommended limit of NIOSH is 85 dBA over 8 hours, and "
    "half the time for every 3 dB more: 88 dBA for 4 hours, 100 dBA for 15 minutes. An acoustic kit passes "
    "100 dBA easily: wear protection, keep headphones low, take breaks in quiet."
)
HEARING_SOURCE = (
    "NIOSH, Criteria for a Recommended Standard: Occupational Noise Exposure, Publication No. 98-126, 1998."
)
STRAIN = (
    "Warm up, begin slow, and raise the tempo only while hands and feet stay loose. Stop at pain or "
    "numbness; if it stays, let a doctor or physiotherapist look before you go on."
)
COPYRIGHT = (
    "Recordings and the parts written down from them may be protected by copyright. Whether you may copy, "
    "change or pass them on depends on the law where you are; if in doubt, ask the owner of the rights "
    "or somebody qualified to advise you."
)
