"""Sesamoid: systematic review and coded reports of limb radiographs.

The core (`anatomy`, `codes`, `intake`, `review`, `measure`, `report`) is pure: data in, data
out, no network, web, database or clock. `store`, `node` and `web` do the input and output, and
`workflow` joins the two. See DEVELOPERS.md for the way of one study through the code.
"""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("sesamoid")
except PackageNotFoundError:  # a source tree that was never installed
    __version__ = "0+unknown"
