"""The only unit conversions: plate lengths in mm, heights and widths of marks in um, angles in degrees."""

UM_PER_MM = 1000.0
SECONDS_PER_HOUR = 3600.0
BYTES_PER_MB = 1024.0**2
