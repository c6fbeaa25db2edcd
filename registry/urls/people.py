"""Addresses of the administrator's pages."""

from django.urls import path

from registry.views import centres, members, service

app_name = "people"
urlpatterns = [
    path("service/", service.state, name="service"),
    path("centres/", centres.centres, name="centres"),
    path("centres/new/", centres.new_centre, name="new_centre"),
    path("centres/<slug:code>/", centres.centre, name="centre"),
    path("centres/<slug:code>/settings/", centres.settings, name="settings"),
    path("centres/<slug:code>/members/new/", members.new_member, name="new_member"),
    path("centres/<slug:code>/invitations/<uuid:key>/withdraw/", members.withdraw, name="withdraw"),
    path("centres/<slug:code>/members/<uuid:key>/", members.member, name="member"),
    path("centres/<slug:code>/members/<uuid:key>/role/", members.role, name="role"),
    path("centres/<slug:code>/members/<uuid:key>/end/", members.end, name="end"),
    path("centres/<slug:code>/members/<uuid:key>/link/", members.link, name="link"),
    path("centres/<slug:code>/members/<uuid:key>/sessions/end/", members.end_sessions, name="end_sessions"),
    path("centres/<slug:code>/members/<uuid:key>/factor/remove/", members.take_off_factor, name="take_off_factor"),
]
