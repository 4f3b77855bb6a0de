#!/bin/sh
# Regenerates sky-light-maps.json: values of real rasters read by gdallocationinfo (nearest pixel), at positions
# given as longitude and latitude. Usage: sky-light-maps.make.sh FOLDER > sky-light-maps.json
set -e
folder=$1
printf '{\n "source": "gdallocationinfo -valonly -wgs84, nearest pixel",\n "version": "%s",\n "date": "2026-11-25",\n' "$(gdallocationinfo --version)"
printf ' "verified": "run on the files named by sha256; the product reads them with another library",\n "command": "gdallocationinfo -valonly -wgs84 FILE LON LAT",\n "maps": ['
first=1
row() {
  file=$1; shift
  [ $first = 1 ] || printf ','
  first=0
  printf '\n  { "file": "%s", "sha256": "%s", "values": [' "$file" "$(sha256sum "$folder/$file" | cut -d' ' -f1)"
  comma=''
  for at in "$@"; do
    lon=${at%,*}; lat=${at#*,}
    value=$(gdallocationinfo -valonly -wgs84 "$folder/$file" "$lon" "$lat" 2>/dev/null || true)
    printf '%s\n   { "longitude": %s, "latitude": %s, "value": "%s" }' "$comma" "$lon" "$lat" "$value"
    comma=','
  done
  printf '\n  ] }'
}
row NL_STP_VIIRS.M_201401_VCMCFG_GADM-2.8-SHPZIP.tif 6.72,0.33 6.731,0.341 6.75,0.3 6.60,0.2 7.41,1.63 6.65,0.12 6.4605,1.702 5.0,0.3
row NL_STP_OLS.Y_1992_STABLE_LIGHTS_GADM-2.8-SHPZIP.tif 6.72,0.33 6.731,0.341 6.75,0.3 6.60,0.2 7.41,1.63 6.4626,1.7041 7.4624,0.3
row ntl.tif 29.3,-2.5 29.36,-3.38 29.62,-3.42 29.9,-2.9 29.36,-2.31 30.7,-4.2 30.84,-4.47 31.0,-3.0
printf '\n ]\n}\n'
