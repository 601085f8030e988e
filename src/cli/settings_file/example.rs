//! A commented settings file.

/// Everything that can be set, each line switched off.
pub const EXAMPLE: &str = r##"# Settings of stillpoint. Take the "# " away in front of what you want to set.
#
# A file of this name in a night's folder holds for that night, one in your configuration folder
# for every night. Options win over the night's file, and that over yours. Site, clock, camera and
# lens fill in what the frames' own tags do not say.

# The exposure that you want, seconds.
# exposure_s = 120

# The trail that you accept, pixels; otherwise two thirds of the stars' width.
# tolerance_px = 2.0

# What the camera's clock is ahead of UTC, with summer time if the camera has it.
# utc_offset = "+01:00"

# Whether the camera writes the time of the start or of the end of an exposure: "start" or "end".
# It matters where exposures of one field differ in length.
# stamped = "start"

# Where the tracker stands: degrees, north and east positive; the height in metres may be left out.
# [site]
# latitude_deg = 51.5
# longitude_deg = -0.1
# height_m = 30

# A camera; repeat the block for others. The name is the model that the frames' tags give, or a
# part of it; a single camera needs none.
# [[camera]]
# name = "Quillon Q-6"
# pixel_pitch_um = 3.3

# A lens of your bag; repeat the block for others. The focal length is the lens's own, not the
# 35 mm equivalent; the f-number may be left out.
# [[lens]]
# name = "portrait"
# focal_length_mm = 50
# f_number = 2.8
# [[lens]]
# name = "long"
# focal_length_mm = 150

# The screws of the tracker's base: arcminutes a turn. A turn in azimuth counts about the vertical,
# as on the base's own scale. The lines about "clockwise" may be left out.
# [base]
# altitude_arcmin_per_turn = 60
# altitude_clockwise = "up"
# azimuth_arcmin_per_turn = 90
# azimuth_clockwise = "east"

# What you photograph.
# [target]
# name = "Orion nebula"
# at = "5h35m17s,-5d23m"
"##;
