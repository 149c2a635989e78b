"""The pages for people: made here of templates, without a build step and without other servers.

Everything a page needs comes from this package. A page works without JavaScript; htmx only spares
reloading. No personal data stands in an address: forms are sent by POST.
"""
