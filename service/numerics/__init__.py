"""Measuring: counters to intervals, intervals to windows, windows to team measures."""
