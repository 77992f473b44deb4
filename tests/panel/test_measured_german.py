"""The panel's German for what the node says of numbers: the same ids and gaps as its data."""

import json
import re
import subprocess
from pathlib import Path

import pytest

from dicom_service.measure.catalogue import catalogue, explained
from dicom_service.measure.said import sentences

PANEL = Path(__file__).parents[2] / "viewer_plugin" / "panel"
GAP = re.compile(r"\{\w+(?::[^}]*)?\}")


@pytest.fixture(scope="module")
def german(program):
    """What the panel's two files of German export."""
    script = (
        f"Promise.all([import('{PANEL}/measured_de.js'), import('{PANEL}/entries_de.js'),"
        f" import('{PANEL}/populations_de.js')])"
        ".then(parts => console.log(JSON.stringify(Object.assign({}, ...parts))))"
    )
    node = [program("node"), "-e", script]
    done = subprocess.run(node, capture_output=True, text=True, timeout=60, check=True)
    return json.loads(done.stdout)


def test_every_sentence_and_name_of_the_node_has_its_german_and_no_other_has(german):
    theirs = {f"{part}.{name}" for part, rows in german["measured"].items() for name in rows}
    assert theirs == set(sentences())


def test_a_sentence_has_the_same_gaps_in_both_languages_each_written_alike(german):
    for key, english in sentences().items():
        part, name = key.split(".")
        assert sorted(GAP.findall(german["measured"][part][name])) == sorted(
            GAP.findall(english)
        ), key


def test_no_sentence_was_left_in_english(german):
    words = {k: v for k, v in sentences().items() if " " in GAP.sub("", v).strip()}
    assert [
        k for k, v in words.items() if german["measured"][k.split(".")[0]][k.split(".")[1]] == v
    ] == []


def test_what_a_length_is_worth_is_known_by_the_text_that_the_node_writes(german):
    english = {k.split(".")[1]: v for k, v in sentences().items() if k.startswith("calibration.")}
    assert german["calibrations"] == english


def test_every_published_measurement_has_name_traps_and_landmarks_in_german(german):
    assert set(german["entries"]) == set(catalogue())
    for key, entry in catalogue().items():
        there = german["entries"][key]
        assert there["name"], key
        assert bool(there["traps"]) == bool(entry.traps), key
        numbers = r"\d+(?:[.,]\d+)?"
        known = [n.replace(",", ".") for n in re.findall(numbers, entry.traps)]
        said = [n.replace(",", ".") for n in re.findall(numbers, there["traps"])]
        assert sorted(said) == sorted(known), key


def test_whom_a_published_value_is_of_and_each_note_on_it_is_in_german(german):
    refs = [ref for entry in catalogue().values() for ref in entry.refs]
    said = {text for ref in refs for text in (ref.population, ref.note) if text}
    theirs = german["populations"]
    assert set(theirs) <= said
    # what is left is the same in both languages: names of breeds, numbers, abbreviations
    same = re.compile(
        r"(Chihuahua|Golden( Retriever)?|Labrador|Rottweiler|Jack Russell Terrier|Dismukes|n|TPA"
        r"|CT|VDHE|aLDRA|aMPRA|[\d\s.,=()-])*"
    )
    assert [text for text in said - set(theirs) if not same.fullmatch(text)] == []
    for english, other in theirs.items():
        numbers = r"\d+(?:\.\d+)?"
        said_there, here = (sorted(re.findall(numbers, words)) for words in (other, english))
        assert said_there == here, english


def test_every_landmark_says_in_german_where_it_is_clicked(german):
    assert {n for key in catalogue() for n in explained(key)} <= set(german["marks"])
    assert all(name and where for name, where in german["marks"].values())
