"""Records: frozen classes that are dataclasses to whoever asks."""

import copy
import dataclasses
import math
import pickle

import pytest
from analyser.flight import Body, Stage
from analyser.records import Record


class Point(Record):
    """Two numbers and a name."""

    x: float
    y: float = 0.0
    name: str = ""


class Point3(Point):
    """One more."""

    z: float = 1.0


def test_fields_by_place_and_by_name_with_defaults():
    point = Point(1.0, name="a")
    assert (point.x, point.y, point.name) == (1.0, 0.0, "a")
    assert repr(point) == "Point(x=1.0, y=0.0, name='a')"
    assert Point3(1.0, 2.0, "b").z == 1.0 and Point3._fields == ("x", "y", "name", "z")


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Point(), "needs x"),
        (lambda: Point(1.0, 2.0, "", 3.0), "takes 3 values, 4"),
        (lambda: Point(1.0, x=2.0), "two values for 'x'"),
        (lambda: Point(1.0, w=2.0), "no field 'w'"),
        (lambda: Point(1.0).changed(w=2.0), "no field 'w'"),
    ],
)
def test_wrong_fields_are_refused(make, said):
    with pytest.raises(TypeError, match=said):
        make()


def test_a_class_with_a_needed_field_after_a_default_is_refused():
    with pytest.raises(TypeError, match="follows one with a default"):

        class Wrong(Record):
            a: int = 1
            b: int


def test_records_are_frozen():
    point = Point(1.0)
    with pytest.raises(AttributeError, match="frozen"):
        point.x = 2.0
    with pytest.raises(AttributeError, match="frozen"):
        del point.x


def test_equal_by_value_and_kind():
    assert Point(1.0) == Point(1.0, 0.0) and hash(Point(1.0)) == hash(Point(1.0, 0.0))
    assert Point(1.0) != Point(2.0)
    assert Point(1.0) != Point3(1.0)
    assert Point(math.nan) != Point(float("nan"))  # as a tuple of the values would compare
    assert Point(1.0).changed(y=5.0) == Point(1.0, 5.0)


def test_dataclass_functions_take_them():
    point = Point(1.0, name="a")
    assert dataclasses.is_dataclass(point) and dataclasses.is_dataclass(Point3)
    assert [field.name for field in dataclasses.fields(Point3)] == ["x", "y", "name", "z"]
    assert [field.default for field in dataclasses.fields(Point)][1:] == [0.0, ""]
    assert dataclasses.replace(point, y=3.0) == Point(1.0, 3.0, "a")
    assert dataclasses.asdict(point) == {"x": 1.0, "y": 0.0, "name": "a"}
    assert dataclasses.replace(Body("Lull", 2.1e11, 310e3), radius=300e3).radius == 300e3


def test_copied_pickled_and_matched():
    stage = Stage("lander", 2900.0)
    assert copy.deepcopy(Point(1.0)) == Point(1.0) == pickle.loads(pickle.dumps(Point(1.0)))
    match stage:
        case Stage(name, mass):
            assert (name, mass) == ("lander", 2900.0)
        case _:
            pytest.fail("a record must match by place")
