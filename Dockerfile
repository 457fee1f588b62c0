# syntax=docker/dockerfile:1
# Debian's slim image, not Alpine: gsw and numpy have no wheels for musl. Debian's own Python, so that
# its security updates come with the system's; 3.11 is the version that every test runs on.
ARG BASE=debian:bookworm-slim

FROM ${BASE} AS build
RUN apt-get update \
 && apt-get install -y --no-install-recommends binutils gcc libc6-dev python3-dev python3-pip python3-venv
# Without pip in it: what is copied into the final stage can install nothing.
RUN python3 -m venv --without-pip /opt/tidegate
WORKDIR /src
# First what seldom changes. Only wheels, only with the recorded hashes: nobody else's code is compiled.
COPY requirements.lock requirements-build.lock ./
RUN python3 -m pip --python /opt/tidegate/bin/python install --no-cache-dir \
      --require-hashes --only-binary :all: -r requirements.lock
RUN python3 -m venv --without-pip /opt/build \
 && python3 -m pip --python /opt/build/bin/python install --no-cache-dir \
      --require-hashes --only-binary :all: -r requirements-build.lock
COPY pyproject.toml README.md LICENSE ./
COPY bridge ./bridge
# The core becomes machine code: the same decisions to the last byte, for a third of the work.
RUN HATCH_BUILD_HOOK_ENABLE_MYPYC=true /opt/build/bin/hatchling build -t wheel \
 && python3 -m pip --python /opt/tidegate/bin/python install --no-cache-dir --no-index --no-deps \
      dist/*.whl
# A fifth of the size is other projects' tests, files for compilers and type checkers, and symbols for
# debuggers. The libraries beside numpy were rewritten by its packagers, and strip would break them.
RUN find /opt/tidegate -type d -name tests -prune -exec rm -r {} + \
 && find /opt/tidegate -type f '(' -name '*.a' -o -name '*.h' -o -name '*.pyi' -o -name '*.pxd' ')' \
      -delete \
 && find /opt/tidegate -name '*.so' ! -path '*/numpy.libs/*' -exec strip --strip-debug {} +

FROM ${BASE}
ARG VERSION=0.1.0
LABEL org.opencontainers.image.title="Tidegate" \
      org.opencontainers.image.description="Corrected salinity, honest uncertainty and fail-safe permits from a conductivity probe" \
      org.opencontainers.image.licenses="Apache-2.0" \
      org.opencontainers.image.version="${VERSION}"
# ca-certificates for a broker with TLS.
RUN apt-get update \
 && apt-get install -y --no-install-recommends ca-certificates python3 \
 && rm -rf /var/lib/apt/lists/* /var/cache/apt/* /var/log/apt /var/log/dpkg.log \
 && useradd --uid 10001 --no-create-home --home-dir /data --shell /usr/sbin/nologin tidegate \
 && install -d -o tidegate -g tidegate -m 0750 /data
COPY --from=build /opt/tidegate /opt/tidegate
ENV PATH=/opt/tidegate/bin:$PATH \
    PYTHONDONTWRITEBYTECODE=1 \
    PYTHONUNBUFFERED=1
USER 10001:10001
# The history is kept in tidegate-data below it. Nothing else is written but the health file in /tmp,
# so that the root file system may be read-only.
WORKDIR /data
VOLUME /data
STOPSIGNAL SIGTERM
# The decision loop writes the time of its last turn; a broker that is away is no reason to restart.
HEALTHCHECK --interval=30s --timeout=5s --start-period=20s --retries=3 \
  CMD ["/opt/tidegate/bin/python", "-m", "bridge.shell.health"]
ENTRYPOINT ["/opt/tidegate/bin/tidegate"]
CMD ["run", "--config", "/etc/tidegate/tidegate.toml"]
