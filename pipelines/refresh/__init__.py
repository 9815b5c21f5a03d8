"""What a change makes new: steps that say what they read, get only that, and are known by what they got.

`order.refresh` runs them all; `step` says what a step is, `engine` which parts stand and which are made.
"""
