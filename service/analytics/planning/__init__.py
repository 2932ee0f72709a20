"""How much to begin with, and how many batches, to end with a wanted amount at a stated confidence.

Pure: targets, confidences and seeds are arguments. ``chain`` holds the sums over a route's draws that every plan
rests on.
"""
