"""The parts of a CSAF 2.0 document that are read; what else stands in it is passed over.

Names are those of the specification. Source: CSAF 2.0 (OASIS), 3.1 and 3.2, and its JSON schema.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal, TypeAlias, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from poller.model import limits

T = TypeVar("T")
Text: TypeAlias = Annotated[str, Field(min_length=1, max_length=limits.CSAF_TEXT_MAX)]
Id: TypeAlias = Annotated[str, Field(min_length=1, max_length=limits.CSAF_ID_MAX)]
Ids = Annotated[
    tuple[Id, ...], Field(min_length=1, max_length=limits.CSAF_PRODUCTS_MAX, strict=False)
]
Some = Annotated[
    tuple[T, ...], Field(min_length=1, max_length=limits.CSAF_PRODUCTS_MAX, strict=False)
]


class Part(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True, strict=True, allow_inf_nan=False)


class Helper(Part):
    """product_identification_helper: how a product is told from others."""

    model_numbers: Some[Text] | None = None
    serial_numbers: Some[Text] | None = None
    skus: Some[Text] | None = None


class FullProductName(Part):
    name: Text
    product_id: Id
    product_identification_helper: Helper | None = None


class Category(StrEnum):
    """Of a branch."""

    ARCHITECTURE = "architecture"
    HOST_NAME = "host_name"
    LANGUAGE = "language"
    LEGACY = "legacy"
    PATCH_LEVEL = "patch_level"
    PRODUCT_FAMILY = "product_family"
    PRODUCT_NAME = "product_name"
    PRODUCT_VERSION = "product_version"
    PRODUCT_VERSION_RANGE = "product_version_range"
    SERVICE_PACK = "service_pack"
    SPECIFICATION = "specification"
    VENDOR = "vendor"


class Branch(Part):
    category: Annotated[Category, Field(strict=False)]
    name: Text
    branches: Some[Branch] | None = None
    product: FullProductName | None = None


class Group(Part):
    group_id: Id
    product_ids: Ids


class Bond(StrEnum):
    """Category of a relationship."""

    DEFAULT_COMPONENT_OF = "default_component_of"
    EXTERNAL_COMPONENT_OF = "external_component_of"
    INSTALLED_ON = "installed_on"
    INSTALLED_WITH = "installed_with"
    OPTIONAL_COMPONENT_OF = "optional_component_of"


class Relationship(Part):
    category: Annotated[Bond, Field(strict=False)]
    full_product_name: FullProductName
    product_reference: Id
    relates_to_product_reference: Id


class ProductTree(Part):
    branches: Some[Branch] = ()
    full_product_names: Some[FullProductName] = ()
    product_groups: Some[Group] = ()
    relationships: Some[Relationship] = ()


class ProductStatus(Part):
    first_affected: Ids = ()
    first_fixed: Ids = ()
    fixed: Ids = ()
    known_affected: Ids = ()
    known_not_affected: Ids = ()
    last_affected: Ids = ()
    recommended: Ids = ()
    under_investigation: Ids = ()


class Cvss(Part):
    """The base score and the vector, as the document tells them."""

    baseScore: Annotated[float, Field(ge=0, le=10, strict=False)]
    vectorString: Text
    version: Text


class Score(Part):
    products: Ids
    cvss_v2: Cvss | None = None
    cvss_v3: Cvss | None = None


class Remedy(StrEnum):
    """Category of a remediation, the best first."""

    VENDOR_FIX = "vendor_fix"
    MITIGATION = "mitigation"
    WORKAROUND = "workaround"
    NONE_AVAILABLE = "none_available"
    NO_FIX_PLANNED = "no_fix_planned"


class Remediation(Part):
    category: Annotated[Remedy, Field(strict=False)]
    details: Text
    product_ids: Ids = ()
    group_ids: Ids = ()
    url: Text | None = None


class Vulnerability(Part):
    cve: Text | None = None
    title: Text | None = None
    product_status: ProductStatus = ProductStatus()
    scores: Some[Score] = ()
    remediations: Some[Remediation] = ()


class Publisher(Part):
    name: Text
    namespace: Text


class Tracking(Part):
    id: Text
    current_release_date: Text
    status: Literal["draft", "final", "interim"]
    version: Text


class Head(Part):
    csaf_version: Literal["2.0"]
    title: Text
    publisher: Publisher
    tracking: Tracking


class Document(Part):
    document: Head
    product_tree: ProductTree = ProductTree()
    vulnerabilities: Some[Vulnerability] = ()
