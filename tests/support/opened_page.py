"""What is done again and again to a report that is open in a browser."""

PAIR = ("02_snare_top", "07_oh_left")


def open_pair(browser, pair=PAIR):
    """Open a pair's panel; the panel's element."""
    browser.execute_script(
        "const names = arguments[0].join('\\n');"
        "const panel = [...document.querySelectorAll('details.pair')].find((p) => p.dataset.names === names);"
        "panel.open = true; panel.scrollIntoView(); window.panel = panel;",
        list(pair),
    )
    wait(browser, "return Boolean(panel.querySelector('.bench').bench)")
    return browser.execute_script("return panel")


def wait(browser, script):
    """Wait until a script says something that is true."""
    from selenium.webdriver.support.ui import WebDriverWait

    return WebDriverWait(browser, 5).until(lambda driver: driver.execute_script(script))
