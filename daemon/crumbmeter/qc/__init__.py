"""Quality control, pure: lots, deviations, trucks, rubber accounts, calibrations, laboratory results.

Everything here is a function of parcels out of the record and of what people said for it. Nothing is steered.
"""
