"""MP3 by LAME (lameenc, LGPL-3.0), which codes three times as fast as the LAME that libsndfile carries.

A coder's and a decoder's delay together are 1105 samples; LAME's tag, a first frame that holds no sound (its fields
from memory; two decoders read it in the tests), says how much of them to leave out, so that what is decoded is as
long as what was coded, and in its place.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

#: Sample rates of MPEG-1, hertz, and bits a second of its frames (ISO/IEC 11172-3, layer III), by their numbers there.
MP3_RATES_HZ = (44100, 48000, 32000)
_KBPS = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_FRAME = 1152
#: Delay of the coder alone, samples.
_CODER_DELAY = 576
#: LAME's quality of work, and of variable rate (some 150 kbit/s): what libsndfile uses by default.
_WORK, _VARIABLE = 3, 4
#: Its quality of quick work, which does not shape the noise: less than half the time.  At 112 kbit/s a channel every
#: band up to 13 kHz keeps less noise beside its sound than at variable rate, but for that below 300 Hz, 25 dB down.
_QUICK_WORK = 7


def coded_mp3(samples: np.ndarray, sample_rate: int, bits_per_s: int | None = None, quick: bool = False) -> bytes:
    """Sound as an MP3 file.

    Parameters
    ----------
    samples : ndarray (n, 1 or 2), −1 to 1
    sample_rate : int
        One of :data:`MP3_RATES_HZ`.
    bits_per_s : int, optional
        Constant; variable by default.
    quick : bool
        Somebody waits: in less than half the time, for which it wants more bits.
    """
    import lameenc

    coder = lameenc.Encoder()
    coder.silence()
    coder.set_channels(samples.shape[1])
    coder.set_in_sample_rate(sample_rate)
    coder.set_out_sample_rate(sample_rate)
    coder.set_quality(_QUICK_WORK if quick else _WORK)
    if bits_per_s is None:
        coder.set_vbr(lameenc.VBR_MTRH)
        coder.set_vbr_quality(_VARIABLE)
    else:
        coder.set_bit_rate(bits_per_s // 1000)
    whole = np.clip(np.round(samples * 32767), -32768, 32767).astype("<i2")
    sound = bytes(coder.encode(whole.tobytes())) + bytes(coder.flush())
    return _tag(sound, len(samples), sample_rate, bits_per_s) + sound


def _frames(sound: bytes, sample_rate: int) -> Iterator[int]:
    """Where each frame begins."""
    at = 0
    while at + 4 <= len(sound) and sound[at] == 0xFF:
        yield at
        at += 144000 * _KBPS[sound[at + 2] >> 4] // sample_rate + (sound[at + 2] >> 1 & 1)


def _tag(sound: bytes, length: int, sample_rate: int, bits_per_s: int | None) -> bytes:
    starts = list(_frames(sound, sample_rate))
    head = bytearray(sound[:4])
    head[2] = 9 << 4 | head[2] & 0b1100  # 128 kbit/s: long enough
    size = 144000 * _KBPS[9] // sample_rate
    total, padding = size + len(sound), max(len(starts) * _FRAME - _CODER_DELAY - length, 0)
    places = bytes(256 * (size + starts[len(starts) * k // 100]) // total for k in range(100))
    mono = head[3] >> 6 == 3
    tag = bytes(head) + bytes(17 if mono else 32) + (b"Xing" if bits_per_s is None else b"Info")
    tag += (
        b"".join(n.to_bytes(4, "big") for n in (15, len(starts), total))
        + places
        + (100 - 10 * _VARIABLE).to_bytes(4, "big")
    )
    tag += b"LAME3.100" + bytes([4 if bits_per_s is None else 1]) + bytes(11)
    tag += (_CODER_DELAY << 12 | min(padding, 4095)).to_bytes(3, "big") + bytes(4) + total.to_bytes(4, "big") + bytes(2)
    return (tag + _checksum(tag).to_bytes(2, "big")).ljust(size, b"\0")


def _checksum(data: bytes) -> int:
    """CRC-16 with the polynomial 0x8005, reflected."""
    found = 0
    for byte in data:
        found ^= byte
        for _ in range(8):
            found = found >> 1 ^ (0xA001 if found & 1 else 0)
    return found
