"""Campaigns on the whole of link, core, twin and plant in simulated time: `python -m tests.study`."""
