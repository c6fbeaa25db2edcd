"""Addresses of the registry room."""

from django.urls import path

from registry.views import changes, devices, duplicates, erasure, follow_up, looks, patients, records

app_name = "registry"
urlpatterns = [
    path("patients/", patients.patients, name="patients"),
    path("patients/new/", patients.new_patient, name="new_patient"),
    path("patients/duplicates/", duplicates.duplicates, name="duplicates"),
    path("patients/duplicates/<uuid:first>/<uuid:second>/", duplicates.pair, name="merge"),
    path("patients/merges/<uuid:key>/undo/", duplicates.undo, name="undo_merge"),
    path("patients/looks/", looks.looks, name="looks"),
    path("changes/<str:record_type>/<uuid:key>/", changes.changes, name="changes"),
    path("patients/<uuid:key>/", patients.patient, name="patient"),
    path("patients/<uuid:patient_key>/erase/", erasure.erase, name="erase"),
    path("patients/<uuid:key>/figure.json", patients.patient_figure, name="patient_figure"),
    path("patients/<uuid:patient_key>/identity/", records.identity, name="identity"),
    path("patients/<uuid:patient_key>/details/", records.details, name="details"),
    path("patients/<uuid:patient_key>/death/", records.death, name="death"),
]
urlpatterns += [
    path("follow-up/", follow_up.queue, name="follow_up"),
    path("follow-up/schedule/<slug:code>/", follow_up.schedule, name="schedule"),
    path("devices/recall/", devices.recalled, name="recall"),
    path("devices/recall.csv", devices.recalled_csv, name="recall_csv"),
    path("devices/survival/", devices.lasting, name="survival"),
    path("devices/survival/figure.json", devices.lasting_figure, name="survival_figure"),
]
for kind in records.ON_PAGES:
    base = f"patients/<uuid:patient_key>/{kind}/"
    urlpatterns += [
        path(f"{base}new/", records.record, {"kind": kind}, name="new_record"),
        path(f"{base}<uuid:key>/", records.record, {"kind": kind}, name="record"),
    ]
