"""Where the limb maps come from: bones as tubes and blobs, written out as the JSON files beside.

`python -m viewer_plugin.maps.source` draws all of them again.
"""
