"""A page of engraved music and a whole comment sheet, made once."""

import pytest
import sheet_examples

from app.domain.engraving import Engraving
from app.files.engraving import engrave
from app.sheets.models import CommentSheetModel


@pytest.fixture(scope="session")
def engraving() -> Engraving:
    return engrave(sheet_examples.music())


@pytest.fixture
def comment(engraving: Engraving) -> CommentSheetModel:
    """One student with three adjudicators, one recused, and two pieces."""
    return sheet_examples.comment_sheet(engraving)
