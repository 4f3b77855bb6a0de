# Regenerates the astropy half of frames-fits.json: small pictures in every FITS number format.
# Called by frames-fits.mjs; needs python3 with astropy and numpy.
import base64, gzip, io, json, sys
import numpy as np
from astropy.io import fits

def pack(hdus):
    out = io.BytesIO()
    fits.HDUList(hdus).writeto(out)
    return out.getvalue()

files = []
def add(name, data, expected):
    files.append({"name": name, "base64": base64.b64encode(data).decode(),
                  "expected": [None if np.isnan(v) else float(v) for v in np.asarray(expected, dtype=np.float64).ravel()],
                  "shape": list(np.shape(expected))})

grid = np.arange(12).reshape(3, 4)
add("8-bit", pack([fits.PrimaryHDU((grid * 20).astype(np.uint8))]), grid * 20)
add("16-bit signed", pack([fits.PrimaryHDU((grid * 5000 - 30000).astype(np.int16))]), grid * 5000 - 30000)
add("16-bit unsigned", pack([fits.PrimaryHDU((grid * 5957).astype(np.uint16))]), grid * 5957)
add("32-bit signed", pack([fits.PrimaryHDU((grid * 1000003 - 7).astype(np.int32))]), grid * 1000003 - 7)
add("32-bit unsigned", pack([fits.PrimaryHDU((grid + 5).astype(np.uint32))]), grid + 5)
add("64-bit signed", pack([fits.PrimaryHDU((grid * 4096).astype(np.int64))]), grid * 4096)
floats = (grid / 8 - 0.5).astype(np.float32); floats[1, 2] = np.nan
add("32-bit float", pack([fits.PrimaryHDU(floats)]), floats)
add("64-bit float", pack([fits.PrimaryHDU(floats.astype(np.float64))]), floats)
hdu = fits.PrimaryHDU(grid.astype(np.int16)); hdu.header["BLANK"] = 7
expected = grid.astype(float); expected[grid == 7] = np.nan
add("BLANK", pack([hdu]), expected)
scaled = fits.PrimaryHDU(grid.astype(np.int16)); scaled.header["BSCALE"] = 0.5; scaled.header["BZERO"] = 100.0
raw = pack([fits.PrimaryHDU(grid.astype(np.int16))])
cards = [b"BSCALE  =                  0.5".ljust(80), b"BZERO   =                100.0".ljust(80)]
end = raw.index(b"END".ljust(80))
head = raw[:end] + b"".join(cards) + b"END".ljust(80)
add("BSCALE and BZERO", head.ljust(2880) + raw[2880:], grid * 0.5 + 100)
cube = np.arange(36).reshape(3, 3, 4).astype(np.float32)
add("three planes", pack([fits.PrimaryHDU(cube)]), cube)
add("one plane of three axes", pack([fits.PrimaryHDU(cube[:1])]), cube[0])
add("image extension", pack([fits.PrimaryHDU(), fits.ImageHDU(floats)]), floats)
table = fits.BinTableHDU.from_columns([fits.Column(name="a", format="E", array=np.arange(3.0))])
add("after a table", pack([fits.PrimaryHDU(), table, fits.ImageHDU((grid * 3).astype(np.uint16))]), grid * 3)
add("gzip", gzip.compress(pack([fits.PrimaryHDU(floats)]), mtime=0), floats)
import astropy
json.dump({"astropy": astropy.__version__, "files": files}, sys.stdout)
