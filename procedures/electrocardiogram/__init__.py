"""From the 12-lead electrocardiogram to QRS duration, morphology and activation times. Pure: arrays in, arrays out."""
