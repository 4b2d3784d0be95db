"""Settings pass through libraries that read a model as a mapping, such as Prefect."""

import pytest

import pipelines.configuration.load_settings  # noqa: F401  (defines the models)
from rightsize.settings import Settings


def models(base: type[Settings] = Settings) -> list[type[Settings]]:
    return [one for direct in base.__subclasses__() for one in (direct, *models(direct))]


@pytest.mark.parametrize("model", models(), ids=lambda model: model.__name__)
def test_no_field_hides_the_way_dict_reads_a_model(model: type[Settings]):
    """`dict(model)` calls an attribute `keys` where there is one."""
    assert "keys" not in model.model_fields
    blank = model.model_construct()
    assert set(dict(blank)) <= set(model.model_fields)
