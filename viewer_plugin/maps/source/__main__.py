"""Write all limb maps beside this package."""

import json
from pathlib import Path

from viewer_plugin.maps.source.fore import fore
from viewer_plugin.maps.source.hind import hind
from viewer_plugin.maps.source.horse import horse_fore
from viewer_plugin.maps.source.horse_hind import horse_hind
from viewer_plugin.maps.source.pen import Sheet

FOLDER = Path(__file__).parents[1]


def sheets() -> list[Sheet]:
    """All drawings, newly made."""
    small = [draw(species) for species in ("dog", "cat") for draw in (fore, hind)]
    return [*small, horse_fore(), horse_hind()]


def text(sheet: Sheet) -> str:
    """A drawing as JSON, one shape a line."""
    document = sheet.document()
    shapes = document.pop("shapes")
    head = json.dumps(document, indent=1).removesuffix("\n}")
    lines = ",\n".join(
        f"  {json.dumps(name)}: {json.dumps(shape)}" for name, shape in shapes.items()
    )
    return f'{head},\n "shapes": {{\n{lines}\n }}\n}}\n'


if __name__ == "__main__":
    for sheet in sheets():
        (FOLDER / f"{sheet.name}.json").write_text(text(sheet), "utf-8")
