"""`depthline schema`: prints the JSON Schema of study files."""

from pipeline.cli.output import print_json
from pipeline.study.reference import study_reference
from pipeline.study.schema import study_schema


def print_schema(markdown: bool) -> None:
    """Print the JSON Schema of a study file, or its reference for people."""
    if markdown:
        print(study_reference(), end="")
    else:
        print_json(study_schema())
