################################################################################
#
# imgaudit-click
#
################################################################################

# For Buildroot: its python-click for the host; it has that for the target alone
IMGAUDIT_CLICK_VERSION = $(PYTHON_CLICK_VERSION)
IMGAUDIT_CLICK_SOURCE = $(PYTHON_CLICK_SOURCE)
IMGAUDIT_CLICK_SITE = $(PYTHON_CLICK_SITE)
IMGAUDIT_CLICK_DL_SUBDIR = python-click
IMGAUDIT_CLICK_LICENSE = $(PYTHON_CLICK_LICENSE)
IMGAUDIT_CLICK_LICENSE_FILES = $(PYTHON_CLICK_LICENSE_FILES)
IMGAUDIT_CLICK_SETUP_TYPE = $(PYTHON_CLICK_SETUP_TYPE)

$(eval $(host-python-package))

HOST_IMGAUDIT_CLICK_HASH_FILES = $(PYTHON_CLICK_PKGDIR)/python-click.hash
