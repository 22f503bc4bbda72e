"""FFmpeg's filters between the pictures of the line and what the encoders take.

Most masters' pictures are BT.709 signal for a BT.1886 display. zimg (FFmpeg's zscale) computes in floating point,
rounds once at the end, takes BT.709's transfer for BT.1886's (its own default), and sites chroma as it is told.
"""

# What the pictures are encoded as, by the deliverable's colour.
SIGNALS = {
    "bt709": "matrix=709:primaries=709:transfer=709:range=limited",
    "srgb": "matrix=709:primaries=709:transfer=iec61966-2-1:range=full",
    "srgb in rgb": "matrix=gbr:primaries=709:transfer=iec61966-2-1:range=full",
    "pq": "matrix=2020_ncl:primaries=2020:transfer=smpte2084:range=limited",
    "hlg": "matrix=2020_ncl:primaries=2020:transfer=arib-std-b67:range=limited",
}
# A master of high dynamic range is in the deliverable's own signal; the others are BT.709's.
HDR = {kind: ":".join(part.replace("=", "in=") for part in SIGNALS[kind].split(":")) for kind in ("pq", "hlg")}
MASTER_SIGNAL = "matrixin=709:primariesin=709:transferin=709:rangein=limited"


def chain(signal, pixel_format):
    """The filter chain from the master's pictures to those of an encoder.

    signal: a key of SIGNALS; pixel_format: FFmpeg's name.
    Chroma is sited left, as H.264 and its like assume, or in the top left corner, as BT.2100 has it. The step to 8 bits
    is dithered at random, always alike, so that night skies do not band: encoders flatten the finer pattern of error
    diffusion.
    """
    if signal in HDR:
        return f"zscale={HDR[signal]}:{SIGNALS[signal]}:chromal=topleft:dither=none,format={pixel_format},setsar=1"
    # zimg knows R'G'B' in planes alone; what it does not know would be rounded by another filter, without dither.
    planes = {"rgb24": "gbrp,format=", "rgb48le": "gbrp16le,format="}.get(pixel_format, "") + pixel_format
    dither = "none" if pixel_format.endswith("le") else "random"
    return f"zscale={MASTER_SIGNAL}:{SIGNALS[signal]}:chromal=left:dither={dither},format={planes},setsar=1"


def in_rgb(signal):
    """The filter chain from a master of high dynamic range to its R'G'B' in 16 bits."""
    to = SIGNALS[signal].replace("2020_ncl", "gbr").replace("limited", "full")
    return f"zscale={HDR[signal]}:{to}:dither=none,format=gbrp16le,format=rgb48le"


# hd's pictures, which compose lays ready.
TO_420 = chain("bt709", "yuv420p")
