rule master:
    input:
        parts=every_part("mkv"),
        hashes=every_part("framemd5"),
    output:
        master="{shoot}/master.mkv",
        hashes="{shoot}/master.framemd5",
    log:
        "{shoot}/work/logs/master.log",
    benchmark:
        "{shoot}/work/times/master.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("master"),
        disk_mb=lambda w, input: int(input.size_mb) + 10,
        runtime=runtime("master"),
    params:
        settings=picked("fps"),
        shows=shows,
        code=fingerprint("master"),
    message:
        "{wildcards.shoot}: joining the master"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk master --parts {input.parts:q} --part-hashes {input.hashes:q} --settings {params.settings:q}"
        " --shows {params.shows}"
        " --master {output.master:q} --hashes {output.hashes:q} 2> {log:q}"


use rule master as master_picture with:
    output:
        master="{shoot}/work/{picture}/master.mkv",
        hashes="{shoot}/work/{picture}/master.framemd5",
    log:
        "{shoot}/work/logs/master.{picture}.log",
    benchmark:
        "{shoot}/work/times/master.{picture}.tsv"
    message:
        "{wildcards.shoot}: joining the master of {wildcards.picture}"
