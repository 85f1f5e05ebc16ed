"""The scenarios, a module a subject. A new module is named here; they run in this order."""

from scenarios import rules  # noqa: F401, I001
from scenarios import whole_way  # noqa: F401
from scenarios import several  # noqa: F401
from scenarios import shelf  # noqa: F401
from scenarios import ways_in  # noqa: F401
from scenarios import on_the_way  # noqa: F401
from scenarios import ashore  # noqa: F401
from scenarios import coming_home  # noqa: F401
from scenarios import by_hand  # noqa: F401
from scenarios import bad_input  # noqa: F401
