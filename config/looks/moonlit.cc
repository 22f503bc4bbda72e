<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection id="moonlit" xmlns="urn:ASC:CDL:v1.2">
  <SOPNode><Slope>0.94 1.0 1.06</Slope><Offset>0.002 0.002 0.008</Offset><Power>1.06 1.04 1.0</Power></SOPNode>
  <SatNode><Saturation>0.85</Saturation></SatNode>
</ColorCorrection>
