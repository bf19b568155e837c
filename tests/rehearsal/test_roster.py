"""Places of the page: taken by a name or a number, and no more than there are."""

from __future__ import annotations

import pytest

from entrypoint.errors import FieldRefused
from entrypoint.rehearsal.roster import Roster


def test_whoever_begins_takes_a_place_under_the_name_as_first_typed():
    roster = Roster(2)
    assert roster.suggested == ("Trainee 1", "Trainee 2")
    assert roster.known("Kim") == "Kim"
    assert roster.taken == ()
    assert roster.begins("  Kim ") == "Kim"
    assert roster.begins("kim") == "Kim"
    assert roster.begins(7) == "7"
    assert roster.taken == ("Kim", "7")
    with pytest.raises(FieldRefused, match=r"(?i)every place is taken: Kim, 7"):
        roster.begins("Lee")
    assert roster.known("Lee") == "Lee", "looking at one's progress takes no place"


def test_who_comes_back_is_the_same_in_another_case():
    assert Roster(2, ["Kim", "Trainee 1"]).begins("KIM") == "Kim"


def test_one_place_asks_no_name():
    roster = Roster(1)
    assert roster.begins(None) == "Trainee 1"
    with pytest.raises(FieldRefused, match="does not rehearse here"):
        roster.begins("Kim")


@pytest.mark.parametrize("name", ["", "  ", "a" * 41, "a\x00b", 7.5, True, ["Kim"]])
def test_what_is_no_name_is_refused(name):
    with pytest.raises(FieldRefused, match=r"(?i)the name is empty"):
        Roster(2).begins(name)
