"""Addresses of the registry room."""

from django.urls import path

from registry.views import devices, follow_up, patients, records

app_name = "registry"
urlpatterns = [
    path("patients/", patients.patients, name="patients"),
    path("patients/new/", patients.new_patient, name="new_patient"),
    path("patients/<uuid:key>/", patients.patient, name="patient"),
    path("patients/<uuid:key>/figure.json", patients.patient_figure, name="patient_figure"),
    path("patients/<uuid:patient_key>/details/", records.details, name="details"),
    path("patients/<uuid:patient_key>/death/", records.death, name="death"),
]
urlpatterns += [
    path("follow-up/", follow_up.queue, name="follow_up"),
    path("follow-up/schedule/<slug:code>/", follow_up.schedule, name="schedule"),
    path("devices/recall/", devices.recalled, name="recall"),
    path("devices/recall.csv", devices.recalled_csv, name="recall_csv"),
    path("devices/survival/", devices.lasting, name="survival"),
]
for kind in records.KINDS:
    base = f"patients/<uuid:patient_key>/{kind}/"
    urlpatterns += [
        path(f"{base}new/", records.record, {"kind": kind}, name="new_record"),
        path(f"{base}<uuid:key>/", records.record, {"kind": kind}, name="record"),
    ]
