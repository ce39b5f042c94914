"""Advice from a fitted region: settings, next burns, jobs, joints, other machines."""
