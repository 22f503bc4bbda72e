rule deliver:
    input:
        "{shoot}/master.mkv",
    output:
        "{shoot}/{shoot}_hd.mp4",
    log:
        "{shoot}/work/logs/deliver.log",
    benchmark:
        "{shoot}/work/times/deliver.tsv"
    threads: 2
    resources:
        mem_mb=1500,
        disk_mb=200,
        runtime=30,
    params:
        settings=picked("fps"),
        code=fingerprint("deliver"),
    message:
        "{wildcards.shoot}: encoding hd"
    shell:
        "kerbwalk deliver --master {input:q} --settings {params.settings:q}" " --out {output:q} 2> {log:q}"
