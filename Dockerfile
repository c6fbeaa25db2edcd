# The service in one image: web, worker and beat differ only by the command (see docker-compose.yml).
FROM python:3.11-slim-bookworm AS build
ENV PIP_NO_CACHE_DIR=1 PIP_DISABLE_PIP_VERSION_CHECK=1
WORKDIR /build
COPY requirements.lock ./
RUN python -m venv /venv \
 && /venv/bin/pip install --require-hashes --no-deps --only-binary :all: -r requirements.lock

FROM python:3.11-slim-bookworm
ENV PATH=/venv/bin:$PATH \
    PYTHONUNBUFFERED=1 \
    DJANGO_SETTINGS_MODULE=config.settings \
    TRIBUTARY_PRODUCTION=1 \
    TRIBUTARY_VAR=/data
# pg_dump and pg_restore, of the same version as the database of the compose file: for backups.
RUN apt-get update -qq && apt-get install -y -qq --no-install-recommends postgresql-client && rm -rf /var/lib/apt/lists/*
RUN useradd --system --uid 10001 --no-create-home --home-dir /nonexistent --shell /usr/sbin/nologin tributary \
 && install -d -o tributary -g tributary -m 0750 /data
COPY --from=build /venv /venv
WORKDIR /app
COPY manage.py ./
COPY config ./config
COPY registry ./registry
COPY procedures ./procedures
COPY analytics ./analytics
COPY fixtures ./fixtures
# The keys are needed to read the settings, are used for nothing here, and stay in no layer's environment.
RUN TRIBUTARY_VAR=/tmp TRIBUTARY_SECRET_KEY=build TRIBUTARY_IDENTITY_KEYS=build TRIBUTARY_EXPORT_KEY=build \
    python manage.py collectstatic --no-input --verbosity 0 \
 && python -m compileall -q config registry procedures analytics fixtures
USER tributary
VOLUME /data
EXPOSE 8000
HEALTHCHECK --interval=30s --timeout=10s --start-period=30s --retries=3 CMD ["python", "config/ops/probe.py"]
CMD ["gunicorn", "--config", "config/ops/gunicorn.py", "config.wsgi"]
