"""Addresses of the procedures room."""

from django.urls import URLPattern, path

from procedures.views import (
    beats,
    closing,
    comparison,
    epochs,
    figures,
    marking,
    opening,
    recordings,
    report,
    sessions,
    signals,
    sites,
)

app_name = "procedures"
urlpatterns: list[URLPattern] = [
    path("sessions/", sessions.sessions, name="sessions"),
    path("sessions/new/", opening.new_session, name="new_session"),
    path("sessions/new/patient/", opening.patient_meant, name="patient_meant"),
    path("sessions/<uuid:session>/", sessions.session, name="session"),
    path("sessions/<uuid:session>/details/", opening.session_details, name="session_details"),
    path("sessions/<uuid:session>/log/", opening.log_entry, name="new_log_entry"),
    path("sessions/<uuid:session>/log/<uuid:entry>/", opening.log_entry, name="log_entry"),
    path("sessions/<uuid:session>/sites/new/", sites.site, name="new_site"),
    path("sessions/<uuid:session>/sites/<uuid:site>/", sites.site, name="site"),
    path("sessions/<uuid:session>/sites/<uuid:site>/measurements/new/", sites.measurement, name="new_measurement"),
    path(
        "sessions/<uuid:session>/sites/<uuid:site>/measurements/<uuid:measurement>/",
        sites.measurement,
        name="measurement",
    ),
    path("sessions/<uuid:session>/epochs/new/", epochs.epoch, name="new_epoch"),
    path("sessions/<uuid:session>/epochs/<uuid:epoch>/", epochs.epoch, name="epoch"),
    path("sessions/<uuid:session>/recordings/new/", recordings.new_recording, name="new_recording"),
    path("sessions/<uuid:session>/decision/", closing.decision, name="decision"),
    path("sessions/<uuid:session>/sign/", closing.sign, name="sign"),
    path("recordings/<uuid:recording>/", recordings.recording, name="recording"),
    path("recordings/<uuid:recording>/signals.json", signals.signals, name="signals"),
    path("recordings/<uuid:recording>/beats/", beats.beats, name="beats"),
    path("recordings/<uuid:recording>/beats/judge/", beats.judge, name="judge_beat"),
    path("recordings/<uuid:recording>/channels/", recordings.recording_channels, name="channels"),
    path("recordings/<uuid:recording>/epochs/new/", marking.recorded_epoch, name="new_recorded_epoch"),
    path("recordings/<uuid:recording>/epochs/found/", marking.found_in_file, name="found_epochs"),
    path("recordings/<uuid:recording>/epochs/table/", marking.found_in_table, name="epoch_table"),
    path("recordings/<uuid:recording>/epochs/confirm/", marking.confirm_found, name="confirm_epochs"),
    path("recordings/<uuid:recording>/epochs/<uuid:epoch>/", marking.recorded_epoch, name="recorded_epoch"),
    path("recordings/<uuid:recording>/analyse/", recordings.analyse, name="analyse"),
    path("recordings/<uuid:recording>/runs/<uuid:run>/cancel/", recordings.cancel, name="cancel_analysis"),
    path("recordings/<uuid:recording>/progress/", recordings.progress, name="progress"),
    path("sessions/<uuid:session>/comparison/", comparison.comparison, name="comparison"),
    path("sessions/<uuid:session>/comparison/state/", comparison.state, name="comparison_state"),
    path("sessions/<uuid:session>/figures/<slug:name>.json", figures.figure, name="figure"),
    path("sessions/<uuid:session>/report/", report.report, name="report"),
]
