"""The figures of a solution from a product file of their own, such as those in config/products/grids."""

from gateway.errors import SettingsError
from gateway.files import trouble_with
from gateway.resources import config_folder
from gateway.settings.products.mixtures import SolutionProduct
from gateway.settings.reading.document import Document, KeyPath, Mistakes, read_document
from gateway.settings.reading.validation import validate

__all__ = ["with_table"]

_WANTED = "one product by density_of_solution with source, temperatures and rows"


def with_table(model: SolutionProduct, document: Document, path: KeyPath, mistakes: Mistakes) -> SolutionProduct | None:
    """`model` with the figures of the file its `table` names; None where a mistake was found.

    The path counts from the folder of the file that names it, then from the program's own config folder.
    """
    if model.table is None:
        return model
    key: KeyPath = (*path, "table")
    file = document.folder(key) / model.table
    trouble = document.files.trouble_with(file)
    if trouble is not None and trouble_with(config_folder() / model.table) is None:
        file, trouble = config_folder() / model.table, None
    if trouble is not None:
        mistakes.add(key, trouble.sentence)
        return None
    try:
        other, found = read_document(file, {}, part=True, files=document.files)
    except SettingsError as error:
        mistakes.foreign(error.mistakes)
        return None
    own = Mistakes(other)
    own.foreign(found)
    products = other.data(("products",))
    names = list(products) if isinstance(products, dict) else []
    checked = None
    if len(names) == 1 and isinstance(products[names[0]], dict):
        if products[names[0]].get("method") == "density_of_solution":
            checked = validate(SolutionProduct, other, ("products", names[0]), own)
            if checked is not None and checked.model.rows is None and not checked.dropped:
                own.add(("products", names[0]), f"holds no rows; give {_WANTED}")
        else:
            own.add(("products", names[0]), f"is not by concentration; give {_WANTED}")
    else:
        own.add(("products",), f"holds {len(names)} products; give {_WANTED}")
    if own.count or checked is None:
        mistakes.foreign(own.lines())
        return None
    return model.with_rows_of(checked.model)
