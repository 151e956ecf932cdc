"""Views: they only order. One file per station; forms are read by `studio`, which also decides."""
