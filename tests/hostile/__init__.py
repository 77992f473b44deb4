"""Whether anything can be lost: kills, power cuts, full disks, and an archive that forgets.

`python -m tests.hostile.killing --runs 1000` and `python -m tests.hostile.power --crashes 5000`
run for as long as one likes; the tests run a bounded number of the same.
"""
