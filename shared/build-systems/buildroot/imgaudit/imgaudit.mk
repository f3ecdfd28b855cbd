################################################################################
#
# imgaudit
#
################################################################################

# For Buildroot: the host package, which puts the program where scripts find it
# Set the full commit that you trust, and where your copy of the repository is.
IMGAUDIT_VERSION = FULL-COMMIT
IMGAUDIT_SITE = https://YOUR.HOST/YOUR/imgaudit.git
IMGAUDIT_SITE_METHOD = git
IMGAUDIT_LICENSE = MIT
IMGAUDIT_LICENSE_FILES = LICENSE
IMGAUDIT_SETUP_TYPE = hatch
# Without lzallright LZO is reported as not checked, without tabulate there is
# no report in Markdown.
HOST_IMGAUDIT_DEPENDENCIES = \
	host-imgaudit-click \
	host-python-pyelftools \
	host-python-pyyaml

$(eval $(host-python-package))
