"""The floor of Witmark: errors, quantities, files, camera calibration and surfaces."""
