"""The projection of an image, wherever its headers say so."""

from collections.abc import Iterator, Sequence

from pydicom import Dataset

from dicom_service.anatomy import Atlas
from dicom_service.anatomy.words import key
from dicom_service.intake.said import IMAGE_DESCRIPTIONS, Found, Problems, Said, lowered, of_text
from dicom_service.intake.values import code_of, codes, items, text
from dicom_service.intake.words import words


def find_view(header: Dataset, atlas: Atlas, regions: Sequence[str], problems: Problems) -> Found:
    """The view of an image: codes before terms, terms before descriptions.

    Human words for a projection ("AP") are read as the projection that this part of the limb has.
    """
    said = [(fitted(one.value, regions, atlas), one) for one in said_views(header, atlas)]
    if not said:
        return Found()
    label, first = said[0]
    found_in, confidence = first.where, first.confidence
    if label != first.value:
        confidence = lowered(confidence)
        if _is_explicit(first):
            problems.append(
                (
                    "view_region",
                    f"{first.quoted} does not exist for the {' and '.join(regions)}: read as "
                    f"{label}; check region and view",
                )
            )
    for other_label, other in said[1:]:
        if atlas.is_view_or_like(other_label, label):
            if other_label != label:  # "flexed lateral" says more than "ML"
                label, found_in = other_label, f"{first.where} and {other.where}"
        elif not atlas.is_view_or_like(label, other_label):
            problems.append(
                (
                    "view_contradiction",
                    f"{first.quoted} and {other.quoted} name different views: read as "
                    f"{label}; check the image",
                )
            )
            confidence = lowered(confidence)
            break
    return Found((label,), found_in, confidence)


def said_views(header: Dataset, atlas: Atlas) -> Iterator[Said]:
    """What each header says of the view, the most reliable first."""
    for item in items(header, "ViewCodeSequence"):
        modifiers = [c.value for c in codes(item, "ViewModifierCodeSequence")]
        code = code_of(item)
        if code is None:
            continue
        labels = (
            atlas.view_of_code(code.value, code.scheme, modifier) for modifier in (*modifiers, "")
        )
        by_code = next(filter(None, labels), None)
        label = by_code or atlas.find_view(code.meaning)
        if label:
            trust = "stated" if by_code else lowered("stated")
            yield Said(label, "ViewCodeSequence", code.meaning, trust)
    for keyword in ("ViewPosition", *IMAGE_DESCRIPTIONS):
        wording = text(header, keyword)
        label = atlas.find_view(wording) if wording else None
        if label:
            yield Said(label, keyword, wording, of_text(keyword))


def _is_explicit(said: Said) -> bool:
    """Whether the words themselves mean this projection, so that fitting it changes them."""
    return said.where == "ViewCodeSequence" or key(said.value) in key(said.words)


def fitted(label: str, regions: Sequence[str], atlas: Atlas) -> str:
    """The name that the projection `label` has in these parts of the limb."""
    parts = {words().limb_part(region) for region in regions}
    if len(parts) != 1:
        return label
    (part,) = parts
    for row in words().same_view.rows:
        if label in row.values() and part in row:
            # VD and DV of a limb stay what they are; only the trunk has those names.
            named_for = next(p for p, name in row.items() if name == label)
            return label if named_for == "trunk" else row[part]
    wrong, right = {"fore": ("Pl", "Pa"), "hind": ("Pa", "Pl")}.get(part, ("", ""))
    if wrong and wrong in label:
        swapped = label.replace(wrong, right)
        return swapped if atlas.view(swapped) else label
    return label
