"""`depthline schema`: prints the JSON Schema of study files."""

from pipeline.cli.output import print_json
from pipeline.study.schema import study_schema


def print_schema() -> None:
    """Print the JSON Schema of a study file."""
    print_json(study_schema())
