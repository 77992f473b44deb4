"""Regenerating never destroys an edit, and never hides a new finding."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dicom_service.review import merge_edit
from dicom_service.review.merging import BREAK, sentences

OLD = (
    "Bones: Distal radius: fracture line; seen on DPa, confirmed on ML. The carpal bones are "
    "normal.\n\nSoft tissues: The soft tissues are normal."
)


def test_without_an_edit_the_new_text_stands_as_it_is() -> None:
    assert merge_edit(OLD, OLD, "Bones: All new.") == ("Bones: All new.", ())


def test_without_a_change_of_the_node_the_edit_stands_as_it_is() -> None:
    edited = OLD.replace("normal", "unremarkable") + "\n\n\n  Odd   spaces "
    assert merge_edit(OLD, edited, OLD) == (edited, ())


def test_a_new_finding_comes_in_its_place_and_is_marked() -> None:
    edited = OLD.replace("fracture line", "hairline fracture")
    new = OLD.replace("The carpal bones", "Ulnar carpal bone: sclerosis. The carpal bones")
    text, marks = merge_edit(OLD, edited, new)
    assert "hairline fracture" in text
    assert text.index("Ulnar carpal bone: sclerosis.") < text.index("The carpal bones are normal.")
    assert text.count("\n\n") == 1
    assert [(m.kind, text[m.start : m.end]) for m in marks] in (
        [("added", "Ulnar carpal bone: sclerosis.")],
        [("both", "Ulnar carpal bone: sclerosis.")],
    )


def test_what_the_node_no_longer_writes_goes_when_the_reader_left_it_alone() -> None:
    edited = OLD.replace("The soft tissues are normal.", "Soft tissues unremarkable.")
    new = OLD.replace("The carpal bones are normal.", "Normal: carpal bones on DPa.")
    text, marks = merge_edit(OLD, edited, new)
    assert "The carpal bones are normal." not in text
    assert "Normal: carpal bones on DPa." in text
    assert "Soft tissues unremarkable." in text
    assert {mark.kind for mark in marks} == {"removed", "added"}


def test_both_changed_the_same_sentence_so_both_stand_side_by_side() -> None:
    edited = OLD.replace("The carpal bones are normal.", "Carpal bones: nothing.")
    new = OLD.replace("The carpal bones are normal.", "The other carpal bones are normal.")
    text, marks = merge_edit(OLD, edited, new)
    assert "Carpal bones: nothing. The other carpal bones are normal." in text
    assert [mark.kind for mark in marks] == ["both"]


def test_a_sentence_that_the_reader_deleted_stays_deleted() -> None:
    edited = OLD.replace(" The carpal bones are normal.", "")
    new = OLD + " Not evaluated: nails on ML."
    text, _ = merge_edit(OLD, edited, new)
    assert "carpal bones" not in text
    assert text.endswith("Not evaluated: nails on ML.")


@pytest.mark.parametrize("text", ["", "One.", OLD, "A: b. C?\n\nD! e"])
def test_splitting_loses_no_word(text: str) -> None:
    assert "".join(sentences(text)).split() == "".join(sentences(text)).split()
    assert " ".join(s for s in sentences(text) if s != BREAK).split() == text.split()


UNITS = [f"{word} {number}." for number in range(6) for word in ("Bone", "Joint")]
TEXT = st.lists(st.lists(st.sampled_from(UNITS), min_size=1, max_size=5), max_size=4).map(
    lambda paragraphs: "\n\n".join(" ".join(p) for p in paragraphs)
)
OWN = st.lists(st.sampled_from(["Mine a.", "Mine b.", "Mine c."]), max_size=3)


def edited_from(old: str, keep: list[bool], own: list[str]) -> str:
    """`old` with some sentences deleted, and the reader's own put in places of others."""
    units = sentences(old)
    kept = [u for u, k in zip(units, keep + [True] * len(units), strict=False) if k or u == BREAK]
    for number, text in enumerate(own):
        kept.insert(min(len(kept), 2 * number), text)
    return " ".join(kept).replace(f" {BREAK} ", BREAK)


@settings(max_examples=150, deadline=None)
@given(TEXT, TEXT, st.lists(st.booleans(), max_size=20), OWN)
def test_every_sentence_of_the_reader_and_every_new_one_is_in_the_result(
    old: str, new: str, keep: list[bool], own: list[str]
) -> None:
    edited = edited_from(old, keep, own)
    text, marks = merge_edit(old, edited, new)
    found, before = set(sentences(text)), set(sentences(old))
    assert set(sentences(edited)) - before - {BREAK} <= found
    assert set(sentences(new)) - before - {BREAK} <= found
    assert found <= {*sentences(edited), *sentences(new)}
    for mark in marks:
        if mark.kind == "removed":
            assert mark.start == mark.end
        else:
            assert text[mark.start : mark.end] == mark.text


@settings(max_examples=80, deadline=None)
@given(TEXT, TEXT, st.lists(st.booleans(), max_size=20), OWN)
def test_merging_again_changes_nothing(
    old: str, new: str, keep: list[bool], own: list[str]
) -> None:
    text, _ = merge_edit(old, edited_from(old, keep, own), new)
    assert merge_edit(new, text, new) == (text, ())
