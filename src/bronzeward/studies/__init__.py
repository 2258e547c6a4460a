"""Many runs: uncertainty, sweeps, calibration, furnace margins."""
