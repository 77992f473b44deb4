"""A simulated clinic: computed radiographs with known truth, and an archive to send them.

Nothing here is needed to run the node; it is what the node is demonstrated and tested with.
"""
