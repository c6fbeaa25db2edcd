"""Addresses of logging in and of one's own account. The names are those the log-in library looks for."""

from allauth.account import views as account
from allauth.mfa.base import views as factor
from allauth.mfa.recovery_codes import views as recovery
from allauth.mfa.totp import views as totp
from allauth.mfa.webauthn import views as passkey
from allauth.socialaccount.providers.openid_connect import views as provider
from django.urls import path

from registry.login import single_sign_on, views
from registry.login.guards import after_own_factor
from registry.views import lock

urlpatterns = [
    path("log-in/", account.login, name="login"),
    path("log-in/", account.login, name="account_login"),
    path("log-in/second-factor/", factor.authenticate, name="mfa_authenticate"),
    path("log-in/passkey/", passkey.login_webauthn, name="mfa_login_webauthn"),
    path("log-in/closed/", account.account_inactive, name="account_inactive"),
    path("log-in/with/<slug:provider_id>/", single_sign_on.log_in, name="openid_connect_login"),
    path("log-in/with/<slug:provider_id>/callback/", provider.callback, name="openid_connect_callback"),
    path("account/hospital-log-in/connect/", single_sign_on.connect, name="sso_connect"),
    path("account/hospital-log-in/disconnect/", single_sign_on.disconnect, name="sso_disconnect"),
    path("join/<uidb64>/<token>/", views.Join.as_view(), name="join"),
    path("log-out/", views.log_out, name="logout"),
    path("log-out/", views.log_out, name="account_logout"),
    path("lock/", lock.lock, name="lock"),
    path("lock/active/", lock.active, name="lock_active"),
    path("account/sessions/", views.sessions, name="account_sessions"),
    path("account/sessions/<int:pk>/end/", views.end_session, name="account_end_session"),
    path("account/", views.account, name="account"),
    path("account/invitations/<uuid:pk>/", views.invitation, name="account_invitation"),
    path("account/confirm/", account.reauthenticate, name="account_reauthenticate"),
    path("account/confirm/code/", factor.reauthenticate, name="mfa_reauthenticate"),
    path("account/confirm/passkey/", passkey.reauthenticate_webauthn, name="mfa_reauthenticate_webauthn"),
    path("account/password/", account.password_change, name="account_change_password"),
    path("account/password/first/", account.password_set, name="account_set_password"),
    path("account/second-factor/", factor.index, name="mfa_index"),
    path("account/second-factor/app/", after_own_factor(totp.activate_totp), name="mfa_activate_totp"),
    path("account/second-factor/app/remove/", after_own_factor(totp.deactivate_totp), name="mfa_deactivate_totp"),
    path(
        "account/second-factor/recovery-codes/",
        after_own_factor(recovery.view_recovery_codes),
        name="mfa_view_recovery_codes",
    ),
    path(
        "account/second-factor/recovery-codes/new/",
        after_own_factor(recovery.generate_recovery_codes),
        name="mfa_generate_recovery_codes",
    ),
    path(
        "account/second-factor/recovery-codes/file/",
        after_own_factor(recovery.download_recovery_codes),
        name="mfa_download_recovery_codes",
    ),
    path("account/second-factor/passkeys/", passkey.list_webauthn, name="mfa_list_webauthn"),
    path("account/second-factor/passkeys/new/", after_own_factor(passkey.add_webauthn), name="mfa_add_webauthn"),
    path("account/second-factor/passkeys/<int:pk>/", after_own_factor(passkey.edit_webauthn), name="mfa_edit_webauthn"),
    path(
        "account/second-factor/passkeys/<int:pk>/remove/",
        after_own_factor(passkey.remove_webauthn),
        name="mfa_remove_webauthn",
    ),
]
