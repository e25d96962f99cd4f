"""Tag files: what a person or a stranger may hand in, and what the message says when it can't be used.

YAML 1.2 (yaml.org/spec) and JSON (RFC 8259) are the outside references for what is read.
"""

import json
from pathlib import Path

import pytest

from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import Scene, TagFile
from elbowroom.shared.tagfile import MAX_BYTES, merge_tags, parse_tags, read_tag_file

TUBE = {
    "kind": "tube",
    "name": "hose",
    "axis": [{"world_mm": [0, 0, 0]}, {"world_mm": [0, 0, 9]}],
    "diameter_mm": 20,
}


def test_json_and_yaml_give_the_same() -> None:
    text = json.dumps({"tags": [TUBE]})
    flow = "tags:\n- kind: tube\n  name: hose\n  diameter_mm: 20\n  axis:\n  - {world_mm: [0, 0, 0]}\n  - {world_mm: [0, 0, 9]}\n"
    assert parse_tags(text.encode(), where="a.json") == parse_tags(flow.encode(), where="a.yaml")


def test_the_message_names_entity_field_and_value() -> None:
    bad = {"tags": [TUBE, {**TUBE, "name": "pipe", "diameter_mm": -3}]}
    with pytest.raises(InputError, match=r"\(pipe\).*diameter_mm.*greater than 0.*-3"):
        parse_tags(json.dumps(bad).encode(), where="a.json")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"tags: [", "not YAML"),
        (b'{"tags": ', "not JSON"),
        (b"\xff\xfe\x00", "UTF-8"),
        (b"- 1\n- 2\n", "named lists"),
        (b"a: &x [1]\nb: *x\n", "aliases"),
        (b"a: " + b"[" * 60 + b"]" * 60, "nested too deep"),
        (b'{"tags": ' + b"[" * 100_000, "not JSON"),
        (b"tags: !!python/object/apply:os.system ['true']\n", "not YAML"),
        (b'{"wishes": []}', "there is no such field"),
        (b'{"default_side_mm": NaN}', "finite|greater"),
    ],
)
def test_refused_in_words(data: bytes, message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse_tags(data, where="x")


def test_missing_and_too_large(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can't be read"):
        read_tag_file(tmp_path / "none.yaml")
    big = tmp_path / "big.yaml"
    big.write_bytes(b"#" * (MAX_BYTES + 1))
    with pytest.raises(InputError, match="too large"):
        read_tag_file(big)


def test_merge_replaces_by_name_and_refuses_two_of_one() -> None:
    one = TagFile.model_validate({"tags": [TUBE]})
    scene = merge_tags(Scene(), one)
    other = TagFile.model_validate({"tags": [{**TUBE, "diameter_mm": 25}], "default_side_mm": 30})
    scene = merge_tags(scene, other)
    assert [t.name for t in scene.tags] == ["hose"]
    assert getattr(scene.tags[0], "diameter_mm", None) == 25
    assert scene.default_side_mm == 30
    with pytest.raises(InputError, match="two of one name"):
        merge_tags(scene, TagFile.model_validate({"tags": [TUBE, TUBE]}))


def test_the_documented_example_reads() -> None:
    page = (Path(__file__).resolve().parents[2] / "docs" / "tag_files.md").read_text(encoding="utf-8")
    example = page.split("```yaml\n")[1].split("```")[0]
    tags = parse_tags(example.encode(), where="docs/tag_files.md")
    assert {t.kind for t in tags.tags} == {"volume", "tube", "bolt", "mesh", "scan"}


@pytest.mark.parametrize("thread", ["M12", "1/2", '5/8"', "1-1/8"])
def test_inch_threads_can_be_typed(thread: str) -> None:
    """Inch threads are named by a fraction (ASME B18.2.1), so a thread may hold a slash where a name may not."""
    hole = {"name": "pin", "at_mm": [0, 0], "thread": thread}
    intent = {"name": "mount", "plane": {"kind": "datum"}, "thickness_mm": 8, "holes": [hole]}
    tags = parse_tags(json.dumps({"intents": [intent]}).encode(), where="x")
    assert tags.intents[0].holes[0].thread == thread


@pytest.mark.parametrize(
    "data", [b"default_side_mm: 40\ndefault_side_mm: 50\n", b'{"default_side_mm": 40, "default_side_mm": 50}']
)
def test_a_key_given_twice_is_a_slip(data: bytes) -> None:
    """YAML 1.2 says keys are unique; JSON (RFC 8259) says they should be."""
    with pytest.raises(InputError, match="default_side_mm is given twice"):
        parse_tags(data, where="x")
