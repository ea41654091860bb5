"""Where a value stands in a file."""

from __future__ import annotations

import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.errors import RecipeError
from morningmix.files.toml_lines import parse


@given(st.text(st.sampled_from("ab=[]{}\"'#\\\n\r .,1-:\ufeffé"), max_size=60))
@settings(max_examples=300, deadline=None)
def test_any_text_is_parsed_or_refused_in_one_line(text: str) -> None:
    try:
        toml = parse(text, "x.toml", inline_tables=True)
    except RecipeError as error:
        assert "\n" not in str(error).replace("\\n", "")  # noqa: PT017
        return
    for loc, place in toml.places.items():
        value: object = toml.data
        for part in loc:
            value = value[part]  # type: ignore[index]
        if text[place.start] != "[":
            assert tomllib.loads(f"v = {text[place.value_start : place.value_end]}")["v"] == value


values = st.one_of(
    st.floats(-60, 24).map(repr),
    st.text(st.characters(codec="utf-8", exclude_categories=["Cc"]), max_size=8).map(
        lambda text: '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
    ),
    st.sampled_from(
        ["'#'", '"""a\n"b" # ]\n"""', "'''\n[x]\n'''", '["a", # ]\n "b"]', "[[1], []]", '"\\"#"', "1979-05-27"]
    ),
)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["", "[a]", "[a.b]", "[[c]]", "[[c.d]]", "[c.e]", ' [ "f.g" ] # x', "# [[c]]"]),
            st.lists(st.tuples(st.sampled_from(["k", "l", '"m n"', "'o.p'"]), values, st.sampled_from(["", " # r"]))),
        ),
        max_size=6,
    ),
    st.sampled_from(["\n", "\r\n"]),
)
@settings(max_examples=200, deadline=None)
def test_places_are_where_the_values_stand(blocks: list[tuple[str, list[tuple[str, str, str]]]], end: str) -> None:
    text = "\n".join(
        line for head, keys in blocks for line in (head, *(f"  {key} = {value}{rest}" for key, value, rest in keys))
    ).replace("\n", end)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    toml = parse(text, "x.toml")
    leaves = 0
    for loc, place in toml.places.items():
        value: object = data
        for part in loc:
            value = value[part]  # type: ignore[index]
        if text[place.start] != "[":
            leaves += 1
            assert tomllib.loads(f"v = {text[place.value_start : place.value_end]}")["v"] == value
            assert toml.line(loc) == text[: place.start].count("\n") + 1
    assert leaves == sum(
        line.startswith("  ") and " = " in line for head, keys in blocks for line in [f"  {k} = " for k, _, _ in keys]
    )
