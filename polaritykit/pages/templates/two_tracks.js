// The bench of the one pair of a job's page.
new Bench(document.querySelector("#try .bench"), pageData.pairs[0]);
addEventListener("pagehide", stopAll);
