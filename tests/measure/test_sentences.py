"""Every sentence beside a number has an id, so that a screen can say it in another language."""

import ast
import re
from pathlib import Path
from string import Formatter

import pytest

from dicom_service.measure import Measured, NotMeasurable, Said, say
from dicom_service.measure.said import recalled, sentences

PACKAGE = Path(__file__).parents[2] / "dicom_service"
FILES = [*(PACKAGE / "measure").glob("*.py"), *(PACKAGE / "workflow").glob("*.py")]


def fields(text):
    """The names of the gaps in a sentence."""
    return {name for _, name, _, _ in Formatter().parse(text) if name}


def _calls(*names):
    for file in FILES:
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id in names
            ):
                yield f"{file.name}:{node.lineno}", node


def _pattern(node):
    """What ids the first argument of `say` can be, as a regular expression."""
    if isinstance(node, ast.Constant):
        return re.escape(node.value)
    assert isinstance(node, ast.JoinedStr), ast.dump(node)
    return "".join(
        re.escape(p.value) if isinstance(p, ast.Constant) else r"\w+" for p in node.values
    )


def test_every_sentence_that_the_code_says_exists_and_gets_exactly_the_values_it_has_gaps_for():
    seen = 0
    for where, call in _calls("say"):
        ids = [key for key in sentences() if re.fullmatch(_pattern(call.args[0]), key)]
        assert ids, where
        given = {keyword.arg for keyword in call.keywords}
        for key in ids:
            assert fields(sentences()[key]) == given, f"{where} {key}"
        seen += 1
    assert seen > 100


def test_every_sentence_is_said_somewhere():
    said = [_pattern(call.args[0]) for _, call in _calls("say")]
    assert [key for key in sentences() if not any(re.fullmatch(p, key) for p in said)] == []


def test_no_refusal_and_no_doubt_is_a_sentence_without_an_id():
    for where, call in _calls("NotMeasurable"):
        (only,) = call.args
        assert ast.unparse(only).startswith("say("), where
    for file in FILES:
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "doubts.append":
                assert ast.unparse(node.args[0]).startswith("say("), f"{file.name}:{node.lineno}"


def test_what_a_measurement_says_is_text_and_in_json_also_its_id_and_values():
    why = NotMeasurable(say("shaft.faint", strength=2.345678912))
    found = Measured(kind="shaft_axis", method="m", version="1",
                     doubts=(say("landmarks.clicks", why=why.said), say("picture.lossy")),
                     calibration=say("calibration.none"))  # fmt: skip
    plain = found.model_dump(mode="json")
    assert plain["doubts"][1] == "the image was compressed with loss: fine edges may be moved"
    clicks, *_ = [one for one in plain["said"] if one["id"] == "landmarks.clicks"]
    assert clicks["text"] == plain["doubts"][0]
    assert clicks["values"]["why"] == {
        "text": str(why), "id": "shaft.faint", "values": {"strength": 2.34568},
    }  # fmt: skip
    assert {one["text"] for one in plain["said"]} == {*plain["doubts"], plain["calibration"]}


def test_a_kept_sentence_is_recalled_with_its_id_and_a_foreign_one_stays_as_it_is():
    said = say("joint.pits", margin=say("word.first_margin"), count=2)
    again = recalled(str(said), (said.sentence,))
    assert (again, again.id, again.sentence) == (said, said.id, said.sentence)
    assert (recalled("of another maker", ()), recalled("x", ()).id) == ("of another maker", "")


def test_a_value_that_is_no_number_is_kept_as_words_so_that_json_holds():
    assert say("shaft.faint", strength=float("inf")).values == {"strength": "inf"}
    with pytest.raises(KeyError):
        say("shaft.faint")
    assert Said("as it is").sentence.id == ""
