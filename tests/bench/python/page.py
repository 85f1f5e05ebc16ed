"""The form of a receiver's page, as both scripts read it."""


def controls(form):
    """What a browser would send of this form, as far as this page needs it."""
    fields = []
    for control in form.find_all(["input", "select"]):
        name, kind = control.get("name"), control.get("type")
        if control.name == "select":
            option = control.find("option", selected=True) or control.find("option")
            fields.append((name, option["value"]))
        elif kind not in ("radio", "checkbox") or control.has_attr("checked"):
            fields.append((name, control.get("value", "")))
    return fields
