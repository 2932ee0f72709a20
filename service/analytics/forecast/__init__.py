"""What the next run of a step will give, said as a bound that holds with a stated probability.

Pure: seeds are arguments. ``spread`` holds the scales and the prior on run-to-run spread, ``next_run`` the closed form
for one run, ``draws`` the same forecast as Monte Carlo draws that plans share.
"""
