"""Answers for unattended runs: checked against the questions, all problems in one go."""

import pytest
from sequence_samples import checked_text, marked, shipped_text

from safety.strict_yaml import YamlError, read_text
from station.answers_file import AnswersFile, GivenAnswer
from station.ask_model import Ask

QUESTIONS = {
    "ready": Ask.model_validate({"prompt": "Ready", "answer": "confirm"}),
    "condition": Ask.model_validate({"prompt": "Condition", "answer": "choice", "choices": ["sound", "wet"]}),
    "lot": Ask.model_validate({"prompt": "Lot", "answer": "text"}),
    "air": Ask.model_validate({"prompt": "Air", "answer": "reading", "unit": "degC", "hand_instrument": "optional"}),
    "resistance": Ask.model_validate(
        {"prompt": "R", "answer": "reading", "unit": "ohm", "hand_instrument": "required"}
    ),
}
GOOD = """\
ready: yes
condition: sound
lot: 4711
air: 21.5 degC
resistance: {value: 1900 mohm, hand_instrument: bridge 7}
"""


def answers(text: str, *, confirms: bool = False) -> dict[str, GivenAnswer]:
    return AnswersFile.of(read_text(text, "answers.yaml")).for_questions(QUESTIONS, confirms=confirms)


def test_answers_are_read_in_the_questions_kind_and_unit() -> None:
    assert answers(GOOD.replace("1900 mohm", "0.0019 kohm")) == {
        "ready": GivenAnswer(True),
        "condition": GivenAnswer("sound"),
        "lot": GivenAnswer("4711"),
        "air": GivenAnswer(21.5),
        "resistance": GivenAnswer(pytest.approx(1.9), "bridge 7"),
    }


BAD = {
    "missing": ("<<>>" + GOOD.replace("lot: 4711\n", ""), "step 'lot': no answer to 'Lot'", "a text"),
    "unknown step": (GOOD + "lots: <<>>4711\n", "no step called 'lots'", "did you mean 'lot'?"),
    "no such choice": (GOOD.replace("sound", "<<>>dry"), "step 'condition': 'dry' is not a choice", "sound, wet"),
    "no confirmation": (GOOD.replace("yes", "<<>>perhaps"), "confirms nothing", "yes or no"),
    "reading without unit": (GOOD.replace("21.5 degC", "<<>>21.5"), "no reading with a unit", "20 degC"),
    "reading in another unit": (GOOD.replace("21.5 degC", "<<>>21.5 V"), "step 'air'", "20 degC"),
    "hand instrument not named": (
        GOOD.replace("{value: 1900 mohm, hand_instrument: bridge 7}", "<<>>1.9 ohm"), "hand instrument is not named", "hand_instrument",
    ),
    "hand instrument where none is asked": (
        GOOD.replace("sound", "<<>>{value: sound, hand_instrument: eye}"), "hand instrument 'eye'", "where the question asks",
    ),
    "unknown key": (GOOD.replace("{value: 1900", "<<>>{valeu: 1900"), "unknown key 'valeu'", "value, hand_instrument"),
    "empty text": (GOOD.replace("4711", "<<>>''"), "text is empty", "a text"),
}  # fmt: skip


@pytest.mark.parametrize(("sample", "says", "allows"), BAD.values(), ids=list(BAD))
def test_an_unusable_answer_names_step_place_and_what_is_allowed(sample: str, says: str, allows: str) -> None:
    text, line, column = marked(sample.replace("1900 mohm", "1.9 ohm"))
    with pytest.raises(YamlError) as caught:
        answers(text)
    assert [(p.line, p.column) for p in caught.value.problems] == [(line, column)], str(caught.value)
    assert says in caught.value.problems[0].what
    assert allows in caught.value.problems[0].allowed


def test_all_missing_answers_are_told_in_one_go() -> None:
    with pytest.raises(YamlError) as caught:
        answers("ready: no\n")
    assert len(caught.value.problems) == 4


def test_only_simulated_hands_may_leave_confirmations_out() -> None:
    without = GOOD.replace("ready: yes\n", "").replace("1900 mohm", "1.9 ohm")
    with pytest.raises(YamlError, match="step 'ready': no answer to 'Ready'; allowed: yes or no"):
        answers(without)
    assert answers(without, confirms=True)["ready"] == GivenAnswer(True)


def test_answers_are_a_mapping() -> None:
    with pytest.raises(YamlError, match=r"answers.yaml:1:1: .*mapping"):
        answers("- ready\n")


def test_the_questions_of_a_shipped_sequence_can_be_answered() -> None:
    questions = checked_text(shipped_text("as-found")).questions()
    text = "condition: sound\nambient temperature: 22 degC\n"
    given = AnswersFile.of(read_text(text, "a.yaml")).for_questions(questions, confirms=True)
    assert list(given) == list(questions)
