import pytest

from pipelines.configuration.load_priors import load_priors
from pipelines.handbook.reads import HANDBOOK, PAGE, PICTURES, fingerprint, pictures, with_table


def test_the_table_says_what_the_class_priors_say():
    page = (HANDBOOK / PAGE).read_text(encoding="utf-8")
    assert page == with_table(page, load_priors()), "run: python -m pipelines.handbook.reads"


@pytest.mark.parametrize("name", sorted(pictures(load_priors())))
def test_pictures_show_what_the_code_draws(name):
    shown = (HANDBOOK / PICTURES / name).read_text(encoding="utf-8")
    assert fingerprint(pictures(load_priors())[name]) in shown, (
        "run: python -m pipelines.handbook.reads"
    )
    assert f"({PICTURES}/{name})" in (HANDBOOK / PAGE).read_text(encoding="utf-8")
